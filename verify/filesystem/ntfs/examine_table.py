"""All records of an NTFS volume, piece by piece, and what they say gathered for later checks."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examine_columns import taken_at_once
from verify.filesystem.ntfs.examine_records import (
    BITMAP_TYPE,
    BLOCKS_TYPE,
    ENCRYPTED,
    RECORD,
    ROOT_TYPE,
    examined_record,
)
from verify.filesystem.ntfs.examine_streams import hold_list, put_together
from verify.filesystem.ntfs.examine_table_bitmap import TABLE_BITMAP
from verify.filesystem.ntfs.examined_volume import (
    EXTEND,
    FIRST_OF_USERS,
    SYSTEM_NAMES,
    Examined,
    FaultyError,
    Gathered,
    IndexParts,
    Numbers,
    Whole,
)
from verify.filesystem.ntfs.marks import FILE_NAME_TYPE, STANDARD_TYPE
from verify.filesystem.ntfs.name_keys import name_keys, text_of
from verify.filesystem.ntfs.record_decoder import IN_USE_FLAG, Attribute, FileRecord
from verify.filesystem.ntfs.records import (
    ATTRIBUTE_LIST_TYPE,
    DATA_TYPE,
    NUMBER,
    SEQUENCE_AT,
)
from verify.structs.ntfs import FILE_RECORD, FILE_SIGNATURE, SECURITY_ID_FIELD
from verify.text.message import say

RECORDS_A_PIECE = 2_048
_FOLDER_INDEX = "$I30"
_LOGGED_TYPE = 0x100
_NUMBER_BYTES = 6
"""Of a reference: the number of its record comes first."""

_VIEW_FLAG, _EXTEND_FLAG = 8, 4
"""Flags of a record: it has an index of another kind than a folder's; it stands in $Extend."""

_FLAGS = FILE_RECORD.packed("signature", "sequence", "flags")
_KEPT_TYPES = frozenset({DATA_TYPE, BITMAP_TYPE, 0x60, 0x70})


@dataclass(slots=True)
class TableReading:
    """The reading of all records; `group` collects what several records make up."""

    volume: Examined
    gathered: Gathered
    marked: np.ndarray
    _groups: dict[int, list[FileRecord]] = field(default_factory=dict)
    _lone: dict[int, FileRecord] = field(default_factory=dict)
    _names: list[tuple[int, bytes]] = field(default_factory=list)
    _runs: list[tuple[int, int, int]] = field(default_factory=list)

    def run(self) -> None:
        """Read all records."""
        table = self.volume.table
        for first in range(0, len(self.marked), RECORDS_A_PIECE):
            self.volume.alive()
            count = min(RECORDS_A_PIECE, len(self.marked) - first)
            try:
                piece = table.read(first * table.record_bytes, count * table.record_bytes)
            except UNREADABLE:
                for number in range(first, first + count):
                    self._alone(number)
            else:
                self._piece(first, count, piece)
            self._flush()
        for base, members in self._groups.items():
            self._grouped(base, members)
        self._flush()

    def _alone(self, number: int) -> None:
        table = self.volume.table
        try:
            data = table.read(number * table.record_bytes, table.record_bytes)
        except UNREADABLE:
            if self.marked[number]:
                error = FaultyError(
                    RECORD,
                    say("contents"),
                    say("unreadable"),
                    say("readable"),
                    table.place_of(number),
                )
                self._broken(number, error)
            return
        self._record(number, data)

    def _piece(self, first: int, count: int, piece: bytes) -> None:
        size = self.volume.table.record_bytes
        singly = self._at_once(first, count, piece)
        for index in singly.tolist():
            self._record(first + index, piece[index * size : (index + 1) * size])

    def _at_once(self, first: int, count: int, piece: bytes) -> Numbers:
        """Take the regular records of a piece; return the indexes of the others."""
        volume, gathered = self.volume, self.gathered
        wanted = self.marked[first : first + count].copy()
        wanted[: max(0, FIRST_OF_USERS - first)] = False
        sizes = volume.sizes.clusters, volume.sizes.cluster_bytes
        taken = taken_at_once(piece, volume.table.record_bytes, first, wanted, sizes)
        plain = taken.plain
        volume.structure.compared(int(plain.sum()))
        here = slice(first, first + count)
        gathered.in_use[here] = plain
        gathered.folder[here] = plain & taken.folder
        gathered.sequence[here] = np.where(plain, taken.sequence, 0)
        gathered.security.update(taken.security.tolist())
        owners, keys, short = taken.names
        references = taken.sequence[owners].astype(np.uint64) << np.uint64(SEQUENCE_AT)
        gathered.names.append((references | (owners + first).astype(np.uint64), keys, short))
        starts, counts, whose = taken.runs
        gathered.runs.append((starts, counts, whose + first))
        for index, start, size in taken.roots:
            value = bytes(taken.data[start : start + size])
            at = (volume.table.place_of(first + index) or 0) + start % volume.table.record_bytes
            root = Whole(ROOT_TYPE, _FOLDER_INDEX, 0, at, value, size, size)
            gathered.indexes.append(IndexParts(first + index, _FOLDER_INDEX, root))
        others: Numbers = np.nonzero(~plain)[0]
        return others

    def _broken(self, number: int, error: FaultyError) -> None:
        self.gathered.broken.add(number)
        effect = self.volume.record_effect(number)
        self.volume.faulty(error, effect, say("record {number}", number=number), number)

    def _record(self, number: int, data: bytes) -> None:
        """Take one record."""
        volume, gathered = self.volume, self.gathered
        at = volume.table.place_of(number)
        signature, sequence, flags = _FLAGS.unpack_from(data)
        in_use = signature == FILE_SIGNATURE and bool(flags & IN_USE_FLAG)
        if not self.marked[number]:
            if in_use:
                self._unmarked(number, data, at)
            return
        if not in_use and signature == FILE_SIGNATURE:
            # NOTE: records up to 23 are kept for the system, in use or not.
            if number >= FIRST_OF_USERS:
                volume.fault(
                    Effect.WASTED,
                    TABLE_BITMAP,
                    say("record {number}", number=number),
                    say("bit"),
                    say("in use"),
                    say("free"),
                    at=at,
                )
            return
        volume.structure.compared()
        try:
            record = examined_record(volume, number, data, at or 0)
        except FaultyError as error:
            self._broken(number, error)
            return
        gathered.in_use[number] = True
        gathered.sequence[number] = sequence
        gathered.folder[number] = record.folder
        self._sort(record)

    def _unmarked(self, number: int, data: bytes, at: int | None) -> None:
        """Tell of a whole record in use that the bitmap marks free: the next file gets it."""
        volume = self.volume
        try:
            examined_record(volume, number, data, at or 0)
        except FaultyError:
            return  # free, and nothing that anybody could read
        self.marked[number] = True
        volume.fault(
            Effect.OVERWRITTEN,
            TABLE_BITMAP,
            say("record {number}", number=number),
            say("bit"),
            say("free"),
            say("in use"),
            at=at,
            node=number,
        )
        self._record(number, data)

    def _sort(self, record: FileRecord) -> None:
        """Finish a record that stands alone; keep one that belongs to others."""
        if record.base:
            self._groups.setdefault(record.base & NUMBER, []).append(record)
            self.gathered.in_use[record.number] = False  # no name may lead to it
            self.gathered.extending.add(record.number)
        elif any(part.type == ATTRIBUTE_LIST_TYPE for part in record.attributes):
            self._lone[record.number] = record
            self._groups.setdefault(record.number, [])
        else:
            self._finish(record, record.attributes)

    def _grouped(self, number: int, members: list[FileRecord]) -> None:
        """Put a file together that has several records."""
        base = self._lone.get(number)
        if base is None:
            self._orphans(number, members)
            return
        own = [item for item in members if item.base >> SEQUENCE_AT == base.sequence]
        self._orphans(number, [item for item in members if item not in own])
        try:
            (listed,) = put_together(
                self.volume,
                [item for item in base.attributes if item.type == ATTRIBUTE_LIST_TYPE],
            )
            hold_list(self.volume, self.gathered, listed, (base, *own))
        except FaultyError as error:
            self._broken(number, error)
            return
        self._finish(base, [part for item in (base, *own) for part in item.attributes])

    def _orphans(self, base: int, members: list[FileRecord]) -> None:
        """Tell of records that extend one which does not know them."""
        alive = base < len(self.gathered.in_use) and bool(self.gathered.in_use[base])
        for record in members:
            number = record.number
            if base in self.gathered.broken:
                continue
            same = alive and record.base >> SEQUENCE_AT == self.gathered.sequence[base]
            self.volume.fault(
                Effect.LOST if same else Effect.WASTED,
                RECORD,
                say("record {number}", number=number),
                say("base record"),
                base,
                say("one whose attribute list names this record"),
                at=self.volume.table.place_of(number),
                node=base if same else None,
            )

    def _finish(self, record: FileRecord, parts: list[Attribute]) -> None:
        """Gather what a file says, all of its records taken together."""
        volume, gathered, number = self.volume, self.gathered, record.number
        try:
            wholes = list(put_together(volume, parts))
            names = self._hold(record, wholes)
        except FaultyError as error:
            self._broken(number, error)
            return
        if len(names) != record.links:
            volume.fault(
                Effect.REPAIRED,
                RECORD,
                say("record {number}", number=number),
                say("link count"),
                record.links,
                len(names),
                at=volume.table.place_of(number),
                node=number,
            )
        if number < len(SYSTEM_NAMES):
            gathered.system_names[number] = [text_of(name) for name in names]
        self._names += [(number, name) for name in names]
        for whole in wholes:
            self._runs += [
                (start, count, number) for count, start in whole.runs if start is not None
            ]
            if whole.kind == STANDARD_TYPE and whole.value is not None:
                identifier = int.from_bytes(whole.value[slice(*SECURITY_ID_FIELD)], "little")
                gathered.security.add(identifier)
            elif number < FIRST_OF_USERS and whole.kind in _KEPT_TYPES:
                gathered.kept[number, whole.kind, whole.name] = whole

    def _hold(self, record: FileRecord, wholes: list[Whole]) -> list[bytes]:
        """Hold what every file has; return its names."""
        gathered, number, at = self.gathered, record.number, record.at
        by_key = {(whole.kind, whole.name): whole for whole in wholes}
        names = [whole.value or b"" for whole in wholes if whole.kind == FILE_NAME_TYPE]
        # NOTE: records 12 to 23 are kept for later; what stands there is nobody's.
        if number >= FIRST_OF_USERS or number < 12:  # noqa: PLR2004 - see above
            if (STANDARD_TYPE, "") not in by_key:
                raise FaultyError(RECORD, "$STANDARD_INFORMATION", say("none"), say("one"), at)
            if not names:
                raise FaultyError(RECORD, "$FILE_NAME", say("none"), say("one"), at)
        folder = record.folder
        if folder != ((ROOT_TYPE, _FOLDER_INDEX) in by_key):
            raise FaultyError(
                RECORD,
                "flags",
                f"{record.flags:04X}",
                say("a folder if it has an index of names"),
                at,
            )
        special = record.flags & (_VIEW_FLAG | _EXTEND_FLAG)
        # NOTE: the journal of changes in $Extend has named streams alone.
        special |= any(int.from_bytes(name[:_NUMBER_BYTES], "little") == EXTEND for name in names)
        plain = number >= FIRST_OF_USERS and not folder and not special
        if plain and (DATA_TYPE, "") not in by_key:
            raise FaultyError(RECORD, say("unnamed stream"), say("none"), say("one"), at)
        for (kind, name), whole in by_key.items():
            if whole.flags & ENCRYPTED and (_LOGGED_TYPE, "$EFS") not in by_key:
                raise FaultyError(RECORD, say("stream of keys"), say("none"), "$EFS", at)
            if kind == ROOT_TYPE:
                gathered.indexes.append(
                    IndexParts(
                        number,
                        name,
                        whole,
                        by_key.get((BLOCKS_TYPE, name)),
                        by_key.get((BITMAP_TYPE, name)),
                    )
                )
            elif kind == BLOCKS_TYPE and (ROOT_TYPE, name) not in by_key:
                raise FaultyError(RECORD, say("index root"), say("none"), say("one"), at)
        return names

    def _flush(self) -> None:
        """Put what was gathered one by one into arrays."""
        if self._runs:
            rows = np.array(self._runs, np.int64)
            self.gathered.runs.append((rows[:, 0], rows[:, 1], rows[:, 2]))
            self._runs.clear()
        if self._names:
            heap = b"".join(name for _, name in self._names)
            lengths = np.array([len(name) for _, name in self._names], np.int64)
            owners = np.array(
                [self.gathered.reference(number) for number, _ in self._names], np.uint64
            )
            starts = np.cumsum(lengths) - lengths
            keys, short = name_keys(heap, starts)
            self.gathered.names.append((owners, keys, short))
            self._names.clear()
