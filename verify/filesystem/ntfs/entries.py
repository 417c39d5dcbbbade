"""Entries from NTFS records: by the thousand where a volume has many, else one by one."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from verify.errors import StructureError
from verify.filesystem.entry import Entry, Kind, Stream
from verify.filesystem.ntfs.marks import KINDS, STANDARD_TYPE, NtfsMarks
from verify.filesystem.ntfs.packed_record import EPOCH, FOLDER, LAST, MOST_BYTES, OWN_SECURITY, ROW
from verify.filesystem.ntfs.record_table import (
    Attribute,
    NotPlainError,
    Record,
    RecordTable,
)
from verify.filesystem.ntfs.records import (
    ATTRIBUTE_LIST_TYPE,
    DATA_TYPE,
    NUMBER,
    SEQUENCE_AT,
    decoded_runs,
)
from verify.filesystem.ntfs.security import Security
from verify.filesystem.volume import MOST_EXTENTS
from verify.structs.ntfs import STANDARD_INFORMATION

MANY_RECORDS = 8_192
"""With fewer, records are taken one by one: loading numpy takes as long as some thousands do."""

ROWS_A_PIECE = 2_048
"""Records that are taken at once."""

FIRST_ONE_BY_ONE = 8
"""Records of a piece that are taken by themselves before all of it is: the folders on top of a
volume stand in pieces all over the MFT, and two processes are to share the work on these."""

_STANDARD = STANDARD_INFORMATION.packed("created", "modified", "changed")


@dataclass(slots=True)
class RecordEntries:
    """The entries of one volume, as far as its records are plain.

    Some sixty bytes a record stay in memory where a volume has many.
    """

    table: RecordTable
    marks: NtfsMarks
    many: bool = field(init=False)
    _rows: dict[int, bytes] = field(default_factory=dict)
    _asked: dict[int, int] = field(default_factory=dict)
    _numbers: dict[bytes, int] = field(default_factory=dict)
    _own: list[Security | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Decide how records are taken."""
        self.many = len(self.table) >= MANY_RECORDS

    def entry(self, path: str, reference: int, short: str | None, parent: int) -> Entry | None:
        """Return the entry of a name; `None`: ask the library.

        `reference`: to its record; `short`: its 8.3 name, if any; `parent`: record of its folder.
        """
        try:
            found = self._of_row(path, reference, short) if self.many else None
            return found or self._of_record(path, reference, short, parent)
        except (NotPlainError, StructureError, struct.error, UnicodeDecodeError):
            return None

    # --- by the thousand ---

    def _of_row(self, path: str, reference: int, short: str | None) -> Entry | None:
        """Return the entry of a record that has a row; `None`: take it by itself."""
        number = reference & NUMBER
        index, inside = divmod(number, ROWS_A_PIECE)
        rows = self._rows.get(index)
        if rows is None:
            asked = self._asked[index] = self._asked.get(index, 0) + 1
            if asked <= FIRST_ONE_BY_ONE:
                return None
            rows = self._rows[index] = self._taken(index)
        at = inside * ROW.size
        if at >= len(rows):
            return None
        (
            marks,
            sequence,
            links,
            attributes,
            security,
            created,
            modified,
            changed,
            size,
            cluster,
            clusters,
        ) = ROW.unpack_from(rows, at)
        if not marks or sequence != reference >> SEQUENCE_AT:
            return None
        entry = Entry(
            "folder" if marks & FOLDER else "file",
            path,
            size,
            modified,
            changed,
            created,
            number,
            links or 1,
            [(cluster, clusters)] if clusters else [],
        )
        entry.attributes, entry.short = attributes, short
        if marks & OWN_SECURITY:
            self.marks.put_security(entry, self._own[security])
        elif security:
            self.marks.put_security(entry, self.marks.known(security))
        return entry

    def _taken(self, index: int) -> bytes:
        """Return the rows of a piece; none where it cannot be read whole."""
        from verify.filesystem.ntfs.columns import rows_of  # noqa: PLC0415 - takes long to load

        length = ROWS_A_PIECE * self.table.record_bytes
        try:
            piece = self.table.read(index * length, length)
        except NotPlainError:
            return b""
        return rows_of(
            piece,
            self.table.record_bytes,
            index * ROWS_A_PIECE,
            self.table.clusters,
            self._number,
        )

    def _number(self, descriptor: bytes) -> int:
        """Return our number of a descriptor that stands in a record itself."""
        number = self._numbers.get(descriptor)
        if number is None:
            number = self._numbers[descriptor] = len(self._own)
            self._own.append(self.marks.own(descriptor))
        return number

    # --- one by one ---

    def _of_record(self, path: str, reference: int, short: str | None, parent: int) -> Entry:
        number = reference & NUMBER
        record = self.table.record(number)
        if record.sequence != reference >> SEQUENCE_AT:
            raise NotPlainError
        kind: Kind = "folder" if record.folder else "file"
        entry = Entry(kind, path, node=number, links=record.links or 1)
        unnamed = 0
        for attribute in record.attributes():
            if attribute.kind == ATTRIBUTE_LIST_TYPE:
                raise NotPlainError
            if attribute.kind == DATA_TYPE and attribute.letters:
                entry.streams.append(Stream(record.name(attribute), record.size(attribute)))
            elif attribute.kind == DATA_TYPE:
                unnamed += 1
                self._add_data(entry, record, attribute)
            elif attribute.kind in KINDS:
                value = record.value(attribute)
                if attribute.kind == STANDARD_TYPE:
                    _add_times(entry, value)
                self.marks.add(entry, parent, attribute.kind, record.name(attribute), value)
        if entry.created is None or unnamed > 1 or not (record.folder or unnamed):
            raise NotPlainError
        if record.folder:
            entry.size = 0
        entry.short = short  # as the folder has it, whatever the record says
        entry.streams.sort(key=lambda stream: stream.name)
        return entry

    def _add_data(self, entry: Entry, record: Record, attribute: Attribute) -> None:
        """Take over the size of the unnamed stream, and where it lies."""
        entry.size = record.size(attribute)
        if entry.size > MOST_BYTES:
            raise NotPlainError
        if attribute.away:
            at = record.runs_at(attribute)
            _add_runs(entry.extents, record.data[at : attribute.end], self.table.clusters)


def _add_runs(extents: list[tuple[int, int]], data: bytes, clusters: int) -> None:
    """Append the runs that have clusters, at most `MOST_EXTENTS`.

    Raises:
        NotPlainError: one lies outside the volume, or all are longer than it.
        StructureError: it is no run list.
    """
    runs = [(start, count) for count, start in decoded_runs(data, 0) if start is not None]
    if sum(count for _, count in runs) > clusters or any(sum(run) > clusters for run in runs):
        raise NotPlainError
    extents += runs[:MOST_EXTENTS]


def _add_times(entry: Entry, data: bytes) -> None:
    """Take over the times, in nanoseconds since 1970."""
    created, modified, changed = _STANDARD.unpack_from(data)
    if not (EPOCH < created < LAST and EPOCH < modified < LAST and EPOCH < changed < LAST):
        raise NotPlainError
    entry.created = (created - EPOCH) * 100
    entry.modified = (modified - EPOCH) * 100
    entry.changed = (changed - EPOCH) * 100
