"""Entries from NTFS records: by the thousand where a volume has many, else one by one.

A record that does not say all of a file in plain words is left to the library.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.entry import Entry, Stream
from verify.filesystem.ntfs.marks import FILE_NAME_TYPE, KINDS, STANDARD_TYPE, NtfsMarks
from verify.filesystem.ntfs.packed_record import (
    EPOCH,
    FOLDER,
    LAST,
    MOST_BYTES,
    OWN_SECURITY,
    ROW,
    STRAIGHT,
)
from verify.filesystem.ntfs.record_table import RecordTable
from verify.filesystem.ntfs.records import (
    ATTRIBUTE_LIST_TYPE,
    DATA_TYPE,
    NUMBER,
    SEQUENCE_AT,
    Attribute,
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

_TAKEN = KINDS - {FILE_NAME_TYPE}
"""Attributes that are taken over; the names of a file are those that folders have."""


class NotPlainError(Exception):
    """A record that is left to the library."""


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

        `reference`: to its record; `short`: its 8.3 name, if any, `parent`: record of its folder.
        """
        try:
            found = self._of_row(path, reference, short) if self.many else None
            return found or self._of_record(path, reference, short, parent)
        except (NotPlainError, *UNREADABLE):
            return None

    def straight(self, number: int, size: int) -> bytes | int | None:
        """Return the contents of a file, or the byte of the volume where all of them lie.

        `None`: it is left to the library, or its record does not say `size` bytes.
        """
        if not self.many:
            return None
        index, inside = divmod(number, ROWS_A_PIECE)
        rows = self._rows.get(index)
        if rows is None:
            rows = self._rows[index] = self._taken(index)
        at = inside * ROW.size
        if at >= len(rows):
            return None
        marks, *_, stored, cluster, clusters = ROW.unpack_from(rows, at)
        if marks & (STRAIGHT | FOLDER) != STRAIGHT or stored != size:
            return None
        if clusters:
            room = clusters * self.table.cluster_bytes
            return cluster * self.table.cluster_bytes if size <= room else None
        try:
            return self.table.repaired(number)[cluster : cluster + size]
        except UNREADABLE:
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
        except UNREADABLE:
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
        """Return the entry of a record.

        Raises:
            NotPlainError: it says more, or less, than is understood here.
            StructureError, SourceUnreadable, PastEnd: it cannot be read.
        """
        number = reference & NUMBER
        record = self.table.record(number)
        _hold(record.sequence == reference >> SEQUENCE_AT)
        folder = record.folder
        entry = Entry("folder" if folder else "file", path, node=number, links=record.links or 1)
        unnamed = 0
        for attribute in record.attributes:
            kind = attribute.type
            if kind == DATA_TYPE:
                unnamed += not attribute.name
                self._add_data(entry, attribute)
            elif kind in _TAKEN:
                self._add_value(entry, attribute, parent)
            elif kind == ATTRIBUTE_LIST_TYPE:
                raise NotPlainError
        _hold(entry.created is not None and (unnamed == 1 or (folder and not unnamed)))
        if folder:
            entry.size = 0
        entry.short = short  # as the folder has it, whatever the record says
        if entry.streams:
            entry.streams.sort(key=lambda stream: stream.name)
        return entry

    def _add_value(self, entry: Entry, attribute: Attribute, parent: int) -> None:
        """Take over what stands inside the record beside the contents."""
        kind, value = attribute.type, attribute.value
        if value is None:
            raise NotPlainError
        if kind == STANDARD_TYPE:
            _add_times(entry, value)
        self.marks.add(entry, parent, kind, attribute.name, value)

    def _add_data(self, entry: Entry, attribute: Attribute) -> None:
        """Take over a stream: size and places of the unnamed one, name and size of another."""
        _hold(not attribute.first_vcn)
        if attribute.name:
            _hold(attribute.name.isprintable())
            entry.streams.append(Stream(attribute.name, attribute.size))
            return
        entry.size = attribute.size
        if attribute.runs:
            extents = [(start, count) for count, start in attribute.runs if start is not None]
            _hold(sum(count for _, count in extents) <= self.table.clusters)
            entry.extents = extents[:MOST_EXTENTS]
        _hold(entry.size <= MOST_BYTES)


def _hold(plain: bool) -> None:  # noqa: FBT001 - as `assert` has it
    if not plain:
        raise NotPlainError


def _add_times(entry: Entry, data: bytes) -> None:
    """Take over the times, in nanoseconds since 1970."""
    _hold(len(data) >= STANDARD_INFORMATION.size)
    created, modified, changed = _STANDARD.unpack_from(data)
    _hold(EPOCH < created < LAST and EPOCH < modified < LAST and EPOCH < changed < LAST)
    entry.created = (created - EPOCH) * 100
    entry.modified = (modified - EPOCH) * 100
    entry.changed = (changed - EPOCH) * 100
