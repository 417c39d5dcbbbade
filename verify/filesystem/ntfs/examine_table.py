"""All records of an NTFS volume, piece by piece, and what they say gathered for later checks."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examine_records import (
    BITMAP_TYPE,
    BLOCKS_TYPE,
    RECORD,
    ROOT_TYPE,
    Head,
    head_of,
    parts_of,
)
from verify.filesystem.ntfs.examine_streams import hold_list, put_together
from verify.filesystem.ntfs.examined_volume import (
    FIRST_OF_USERS,
    Examined,
    FaultyError,
    Gathered,
    IndexParts,
    Part,
    Whole,
)
from verify.filesystem.ntfs.marks import FILE_NAME_TYPE, STANDARD_TYPE
from verify.filesystem.ntfs.name_keys import name_keys
from verify.filesystem.ntfs.record_decoder import FOLDER_FLAG, IN_USE_FLAG
from verify.filesystem.ntfs.records import (
    ATTRIBUTE_LIST_TYPE,
    DATA_TYPE,
    NUMBER,
    SEQUENCE_AT,
)
from verify.structs.ntfs import FILE_RECORD, FILE_SIGNATURE, SECURITY_ID_FIELD

RECORDS_A_PIECE = 2_048
_FOLDER_INDEX = "$I30"
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
    _groups: dict[int, list[tuple[int, Head, list[Part]]]] = field(default_factory=dict)
    _lone: dict[int, tuple[Head, list[Part]]] = field(default_factory=dict)
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
                    RECORD, "contents", "unreadable", "readable", table.place_of(number)
                )
                self._broken(number, error)
            return
        self._record(number, data)

    def _piece(self, first: int, count: int, piece: bytes) -> None:
        size = self.volume.table.record_bytes
        for index in range(count):
            self._record(first + index, piece[index * size : (index + 1) * size])

    def _broken(self, number: int, error: FaultyError) -> None:
        self.gathered.broken.add(number)
        effect = self.volume.record_effect(number)
        self.volume.faulty(error, effect, f"record {number}", number)

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
                    "$MFT bitmap",
                    f"record {number}",
                    "bit",
                    "in use",
                    "free",
                    at=at,
                )
            return
        volume.structure.agree()
        try:
            head = head_of(volume, number, data, at)
            parts = list(parts_of(volume, number, head, at or 0))
        except FaultyError as error:
            self._broken(number, error)
            return
        gathered.in_use[number] = True
        gathered.sequence[number] = sequence
        gathered.folder[number] = bool(flags & FOLDER_FLAG)
        self._sort(number, head, parts)

    def _unmarked(self, number: int, data: bytes, at: int | None) -> None:
        """Tell of a whole record in use that the bitmap marks free: the next file gets it."""
        volume = self.volume
        try:
            head = head_of(volume, number, data, at)
            list(parts_of(volume, number, head, at or 0))
        except FaultyError:
            return  # free, and nothing that anybody could read
        self.marked[number] = True
        volume.fault(
            Effect.OVERWRITTEN,
            "$MFT bitmap",
            f"record {number}",
            "bit",
            "free",
            "in use",
            at=at,
            node=number,
        )
        self._record(number, data)

    def _sort(self, number: int, head: Head, parts: list[Part]) -> None:
        """Finish a record that stands alone; keep one that belongs to others."""
        if head.base:
            self._groups.setdefault(head.base & NUMBER, []).append((number, head, parts))
        elif any(part.kind == ATTRIBUTE_LIST_TYPE for part in parts):
            self._lone[number] = head, parts
            self._groups.setdefault(number, [])
        else:
            self._finish(number, head, parts)

    def _grouped(self, base: int, members: list[tuple[int, Head, list[Part]]]) -> None:
        """Put a file together that has several records."""
        volume, gathered = self.volume, self.gathered
        known = self._lone.get(base)
        if known is None:
            self._orphans(base, members)
            return
        head, own = known
        parts = list(own)
        for number, other, further in members:
            if other.base >> SEQUENCE_AT != head.sequence:
                self._orphans(base, [(number, other, further)])
            else:
                parts += further
        try:
            (listed,) = put_together(
                volume, [part for part in own if part.kind == ATTRIBUTE_LIST_TYPE]
            )
            hold_list(volume, gathered, listed, parts)
        except FaultyError as error:
            self._broken(base, error)
            return
        self._finish(base, head, parts)

    def _orphans(self, base: int, members: list[tuple[int, Head, list[Part]]]) -> None:
        """Tell of records that extend one which does not know them."""
        broken = base in self.gathered.broken
        alive = base < len(self.gathered.in_use) and bool(self.gathered.in_use[base])
        for number, head, _ in members:
            self.gathered.broken.add(number)
            if broken:
                continue
            same = alive and head.base >> SEQUENCE_AT == self.gathered.sequence[base]
            self.volume.fault(
                Effect.LOST if same else Effect.WASTED,
                RECORD,
                f"record {number}",
                "base record",
                base,
                "one whose attribute list names this record",
                at=self.volume.table.place_of(number),
                node=base if same else None,
            )

    def _finish(self, number: int, head: Head, parts: list[Part]) -> None:
        """Gather what a file says, all of its records taken together."""
        volume, gathered = self.volume, self.gathered
        try:
            wholes = list(put_together(volume, parts))
            names = self._hold(number, head, wholes)
        except FaultyError as error:
            self._broken(number, error)
            return
        if len(names) != head.links:
            volume.fault(
                Effect.REPAIRED,
                RECORD,
                f"record {number}",
                "link count",
                head.links,
                len(names),
                at=volume.table.place_of(number),
                node=number,
            )
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

    def _hold(self, number: int, head: Head, wholes: list[Whole]) -> list[bytes]:
        """Hold what every file has; return its names."""
        gathered = self.gathered
        at = self.volume.table.place_of(number)
        by_key = {(whole.kind, whole.name): whole for whole in wholes}
        names = [whole.value or b"" for whole in wholes if whole.kind == FILE_NAME_TYPE]
        # NOTE: records 12 to 23 are kept for later; what stands there is nobody's.
        if number >= FIRST_OF_USERS or number < 12:  # noqa: PLR2004 - see above
            if (STANDARD_TYPE, "") not in by_key:
                raise FaultyError(RECORD, "$STANDARD_INFORMATION", "none", "one", at)
            if not names:
                raise FaultyError(RECORD, "$FILE_NAME", "none", "one", at)
        folder = bool(head.flags & FOLDER_FLAG)
        if folder != ((ROOT_TYPE, _FOLDER_INDEX) in by_key):
            raise FaultyError(
                RECORD, "flags", f"{head.flags:04X}", "a folder if it has an index of names", at
            )
        special = head.flags & (_VIEW_FLAG | _EXTEND_FLAG)
        plain = number >= FIRST_OF_USERS and not folder and not special
        if plain and (DATA_TYPE, "") not in by_key:
            raise FaultyError(RECORD, "unnamed stream", "none", "one", at)
        for (kind, name), whole in by_key.items():
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
                raise FaultyError(RECORD, "index root", "none", "one", at)
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
