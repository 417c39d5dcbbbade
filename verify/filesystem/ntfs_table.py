"""NTFS records in bulk: what an entry needs, from the record's own bytes.

The library gives each attribute as an object, read by itself; asking it for everything takes ten
times as long as its own walk. Most records are plain: whole, alone, their small attributes inside.
Those are read here, in large pieces of the MFT. Whatever is not plain is left to the library:
nothing is told of a record that this module does not understand.

Sources: libfsntfs, NTFS format, for records, attributes and run lists; the field tables are in
`verify.structs.ntfs`.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections import OrderedDict
from dataclasses import dataclass, field
from itertools import accumulate

from verify.filesystem.entry import Entry, Stream
from verify.filesystem.ntfs_marks import KINDS, NtfsMarks
from verify.filesystem.reading import UNREADABLE
from verify.filesystem.volume import MOST_EXTENTS, Place
from verify.source.window import Window
from verify.structs.ntfs import (
    ATTRIBUTE,
    FILE_RECORD,
    FILE_SIGNATURE,
    NON_RESIDENT,
    RESIDENT,
    STANDARD_INFORMATION,
)

RECORD_BYTES = frozenset({512, 1024, 2048, 4096})
"""Lengths of a record that are understood; all but every volume has 1,024."""

PIECE_BYTES = 256 << 10
"""Bytes of the MFT read at once: names of one folder were mostly given records side by side."""

PIECES_KEPT = 64

_HEAD = FILE_RECORD.packed(
    "signature",
    "fixup_offset",
    "fixup_count",
    "sequence",
    "links",
    "first_attribute",
    "flags",
    "used_bytes",
    "base_record",
)
_ATTRIBUTE = ATTRIBUTE.packed("type", "length", "non_resident", "name_length", "name_offset")
_RESIDENT = RESIDENT.packed("value_length", "value_offset")
_NON_RESIDENT = NON_RESIDENT.packed("first_vcn", "runs_offset", "data_size")
_STANDARD = STANDARD_INFORMATION.packed("created", "modified", "changed")

_IN_USE, _FOLDER = 1, 2
_LIST, _STANDARD_TYPE, _DATA, _END = 0x20, 0x10, 0x80, 0xFFFFFFFF
_STRIDE = 512

_EPOCH = 116_444_736_000_000_000
"""1970 in units of 100 ns since 1601 ([MS-DTYP] 2.3.3)."""

_LAST = _EPOCH + (1 << 32) * 10_000_000
"""Where the library's seconds since 1970 end; a time outside is told as the library does."""


class _NotPlainError(Exception):
    """A record that is left to the library."""


@dataclass(slots=True)
class RecordTable:
    """The MFT of one volume: `places` are its runs, in bytes; `clusters` those of the volume."""

    window: Window
    record_bytes: int
    places: tuple[Place, ...]
    clusters: int
    marks: NtfsMarks
    _ends: list[int] = field(init=False)
    _pieces: OrderedDict[int, bytes | None] = field(default_factory=OrderedDict)

    def __post_init__(self) -> None:
        """Add up where in the MFT each of its runs ends."""
        self._ends = list(accumulate(place.length for place in self.places))

    def place_of(self, number: int) -> int | None:
        """Return the byte of the volume where a record begins; `None`: the MFT has no such one."""
        at = number * self.record_bytes
        run = bisect_right(self._ends, at)
        if run >= len(self.places):
            return None
        place = self.places[run]
        return place.start + at - (self._ends[run] - place.length)

    def entry(self, path: str, number: int, sequence: int, parent: int) -> Entry | None:
        """Return the entry of a name in the folder `parent`, or `None`: ask the library.

        `number` and `sequence` are the record that the name refers to.
        """
        try:
            return self._entry(path, number, sequence, parent)
        except (_NotPlainError, struct.error, UnicodeDecodeError):
            return None

    def _entry(self, path: str, number: int, sequence: int, parent: int) -> Entry:
        data, position, used, folder, links = self._opened(number, sequence)
        entry = Entry("folder" if folder else "file", path, node=number, links=links or 1)
        unnamed = 0
        while True:
            kind, length, away, letters, name_at = _ATTRIBUTE.unpack_from(data, position)
            if kind == _END:
                break
            end = position + length
            if kind == _LIST or length < RESIDENT.size or end > used:
                raise _NotPlainError
            if kind == _DATA:
                if letters:
                    name = _name(data, position + name_at, letters)
                    entry.streams.append(Stream(name, _size(data, position, away=away)))
                else:
                    unnamed += 1
                    entry.size = self._add_data(entry, data, position, end, away=away)
            elif kind in KINDS:
                value = _value(data, position, end, away=away)
                if kind == _STANDARD_TYPE:
                    _add_times(entry, value)
                name = _name(data, position + name_at, letters) if letters else ""
                self.marks.add(entry, parent, kind, name, value)
            position = end
        if entry.created is None or unnamed > 1 or not (folder or unnamed):
            raise _NotPlainError
        if folder:
            entry.size = 0
        entry.streams.sort(key=_stream_name)
        return entry

    def _opened(self, number: int, sequence: int) -> tuple[bytes, int, int, bool, int]:
        """Return a whole record, where its attributes begin and end, if it is a folder, its links.

        It must be in use, under the sequence number that the name refers to, and no extension of
        another record.
        """
        data = self._record(number)
        signature, at, count, own, links, first, flags, used, base = _HEAD.unpack_from(data)
        plain = signature == FILE_SIGNATURE and not base and flags & _IN_USE and own == sequence
        if not plain or used > len(data):
            raise _NotPlainError
        return _repaired(data, at, count, used), first, used, bool(flags & _FOLDER), links

    def _record(self, number: int) -> bytes:
        """Return the bytes of a record as they are stored."""
        index, inside = divmod(number * self.record_bytes, PIECE_BYTES)
        piece = self._pieces.get(index)
        if piece is None:
            if index in self._pieces:
                raise _NotPlainError
            piece = self._read(index)
        data = piece[inside : inside + self.record_bytes]
        if len(data) < self.record_bytes:
            raise _NotPlainError
        return data

    def _read(self, index: int) -> bytes:
        """Read a piece and keep it; one that cannot be read whole is known as such."""
        if len(self._pieces) >= PIECES_KEPT:
            self._pieces.popitem(last=False)
        self._pieces[index] = None
        parts: list[bytes] = []
        at, left = index * PIECE_BYTES, PIECE_BYTES
        for run in range(bisect_right(self._ends, at), len(self.places)):
            place = self.places[run]
            inside = at - (self._ends[run] - place.length)
            length = min(place.length - inside, left)
            try:
                parts.append(self.window.read(place.start + inside, length))
            except UNREADABLE as error:
                raise _NotPlainError from error
            at, left = at + length, left - length
            if not left:
                break
        piece = self._pieces[index] = b"".join(parts)
        return piece

    def _add_data(self, entry: Entry, data: bytes, position: int, end: int, *, away: int) -> int:
        """Take over where the unnamed stream lies, and return its size in bytes."""
        if not away:
            return int(_RESIDENT.unpack_from(data, position)[0])
        first, runs_at, size = _NON_RESIDENT.unpack_from(data, position)
        if first:
            raise _NotPlainError
        total = _add_runs(entry.extents, data, position + runs_at, end)
        if total > self.clusters:
            raise _NotPlainError
        return int(size)


def _add_runs(extents: list[tuple[int, int]], data: bytes, at: int, end: int) -> int:
    """Append the runs that have clusters, at most `MOST_EXTENTS`; return all their clusters."""
    total = cluster = 0
    while at < end:
        head = data[at]
        if not head:
            return total
        middle = at + 1 + (head & 0xF)
        after = middle + (head >> 4)
        length = int.from_bytes(data[at + 1 : middle], "little")
        if after > end or not length:
            break
        if head >> 4:
            cluster += int.from_bytes(data[middle:after], "little", signed=True)
            if cluster < 0:
                break
            total += length
            if len(extents) < MOST_EXTENTS:
                extents.append((cluster, length))
        at = after
    raise _NotPlainError


def _size(data: bytes, position: int, *, away: int) -> int:
    """Return the length of an attribute's value in bytes."""
    if not away:
        return int(_RESIDENT.unpack_from(data, position)[0])
    first, _, size = _NON_RESIDENT.unpack_from(data, position)
    if first:
        raise _NotPlainError
    return int(size)


def _name(data: bytes, at: int, letters: int) -> str:
    """Return an attribute's name; one that is no text, or has control codes, is not plain."""
    name = data[at : at + 2 * letters].decode("utf-16-le")
    if len(data) < at + 2 * letters or not name.isprintable():
        raise _NotPlainError
    return name


def _value(data: bytes, position: int, end: int, *, away: int) -> bytes:
    """Return an attribute's value; one that lies outside its record is not plain."""
    size, start = _RESIDENT.unpack_from(data, position)
    start += position
    if away or start + size > end:
        raise _NotPlainError
    return data[start : start + size]


def _add_times(entry: Entry, data: bytes) -> None:
    """Take over the times, in nanoseconds since 1970."""
    created, modified, changed = _STANDARD.unpack_from(data)
    if not (_EPOCH < created < _LAST and _EPOCH < modified < _LAST and _EPOCH < changed < _LAST):
        raise _NotPlainError
    entry.created = (created - _EPOCH) * 100
    entry.modified = (modified - _EPOCH) * 100
    entry.changed = (changed - _EPOCH) * 100


def _repaired(data: bytes, at: int, count: int, used: int) -> bytes:
    """Return a record with its fix-ups undone as far as it is used; a torn one is not plain.

    SPEC: the last two bytes of each stride hold the update sequence number, and what stood there
    is kept in the update sequence (libfsntfs, 'The fix-up values').
    """
    if (count - 1) * _STRIDE != len(data) or at + 2 * count > _STRIDE - 2:
        raise _NotPlainError
    number = data[at : at + 2]
    whole = None
    kept = at + 2
    for last in range(_STRIDE - 2, len(data), _STRIDE):
        if data[last : last + 2] != number:
            raise _NotPlainError
        if used > last:
            whole = whole or bytearray(data)
            whole[last : last + 2] = data[kept : kept + 2]
        kept += 2
    return data if whole is None else bytes(whole)


def _stream_name(stream: Stream) -> str:
    return stream.name
