"""NTFS records by their numbers: read in large pieces of the MFT, and taken apart if plain.

The library gives each attribute as an object, read by itself; asking it for everything takes ten
times as long as its own walk. Most records are whole, and small attributes stand inside: those are
read here. Whatever is not plain is left to the library: nothing is told of a record that this
module does not understand.

Sources: libfsntfs, NTFS format, for records, attributes and run lists; the field tables are in
`verify.structs.ntfs`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import accumulate
from typing import TYPE_CHECKING, NamedTuple

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.ntfs.describe import geometry
from verify.filesystem.ntfs.records import NUMBER, Records
from verify.filesystem.volume import Place
from verify.source.window import Window
from verify.structs.ntfs import (
    ATTRIBUTE,
    BOOT_SECTOR,
    FILE_RECORD,
    FILE_SIGNATURE,
    NON_RESIDENT,
    RESIDENT,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

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
    "number",
)
_ATTRIBUTE = ATTRIBUTE.packed("type", "length", "non_resident", "name_length", "name_offset")
_RESIDENT = RESIDENT.packed("value_length", "value_offset")
_RUNS = NON_RESIDENT.packed("first_vcn", "runs_offset", "data_size")
_VALID = NON_RESIDENT.packed("valid_size")

IN_USE_FLAG, FOLDER_FLAG = 1, 2
"""Flags of a record."""

END_TYPE = 0xFFFFFFFF
STRIDE = 512
"""Bytes between two fix-ups."""

HOLE = -1
"""Where a part of the MFT begins that lies nowhere."""

SELF_NUMBERED_AT = 48
"""Where the update sequence begins in records that keep their own number (NTFS 3.1)."""

_PAD = bytes(ATTRIBUTE.size)
"""What follows a record that is full to its end mark, which is shorter than other attributes."""


class NotPlainError(Exception):
    """A record, or a part of one, that is left to the library."""


class Attribute(NamedTuple):
    """Where an attribute stands in its record, in bytes; `away`: its value lies elsewhere."""

    kind: int
    start: int
    end: int
    away: bool
    letters: int
    name_at: int


@dataclass(frozen=True, slots=True)
class Record:
    """A whole record in use, its fix-ups undone."""

    data: bytes
    sequence: int
    links: int
    folder: bool
    first: int
    used: int

    def attributes(self) -> Iterator[Attribute]:
        """Yield the attributes in their order, those in other records left out.

        Raises:
            NotPlainError: one does not end inside.
        """
        position = self.first
        while True:
            kind, length, away, letters, name_at = _ATTRIBUTE.unpack_from(self.data, position)
            if kind == END_TYPE:
                return
            end = position + length
            if length < RESIDENT.size or end > self.used:
                raise NotPlainError
            yield Attribute(kind, position, end, bool(away), letters, position + name_at)
            position = end

    def name(self, attribute: Attribute) -> str:
        """Return an attribute's name.

        Raises:
            NotPlainError: it is no text, or has control codes.
        """
        if not attribute.letters:
            return ""
        end = attribute.name_at + 2 * attribute.letters
        name = self.data[attribute.name_at : end].decode("utf-16-le")
        if len(self.data) < end or not name.isprintable():
            raise NotPlainError
        return name

    def value(self, attribute: Attribute) -> bytes:
        """Return an attribute's value.

        Raises:
            NotPlainError: it lies outside the record.
        """
        size, start = _RESIDENT.unpack_from(self.data, attribute.start)
        start += attribute.start
        if attribute.away or start + size > attribute.end:
            raise NotPlainError
        return self.data[start : start + size]

    def size(self, attribute: Attribute) -> int:
        """Return the length of an attribute's value in bytes.

        Raises:
            NotPlainError: this is the later part of one.
        """
        if not attribute.away:
            return int(_RESIDENT.unpack_from(self.data, attribute.start)[0])
        first, _, size = _RUNS.unpack_from(self.data, attribute.start)
        if first:
            raise NotPlainError
        return int(size)

    def valid_bytes(self, attribute: Attribute) -> int:
        """Return how much of a value elsewhere was written; zeros follow."""
        return int(_VALID.unpack_from(self.data, attribute.start)[0])

    def first_vcn(self, attribute: Attribute) -> int:
        """Return which cluster of the value a run list begins with."""
        return int(_RUNS.unpack_from(self.data, attribute.start)[0]) if attribute.away else 0

    def runs_at(self, attribute: Attribute) -> int:
        """Return where the run list of a value elsewhere begins."""
        return attribute.start + int(_RUNS.unpack_from(self.data, attribute.start)[1])


@dataclass(slots=True)
class RecordTable:
    """The MFT of one volume: `places` are its runs, in bytes; `clusters` those of the volume.

    A part that lies nowhere begins at `HOLE`.
    """

    window: Window
    record_bytes: int
    cluster_bytes: int
    clusters: int
    places: tuple[Place, ...]
    _ends: list[int] = field(init=False)
    _pieces: OrderedDict[int, bytes | None] = field(default_factory=OrderedDict)

    def __post_init__(self) -> None:
        """Add up where in the MFT each of its runs ends."""
        self._ends = list(accumulate(place.length for place in self.places))

    def __len__(self) -> int:
        """How many records the MFT has room for."""
        return self._ends[-1] // self.record_bytes if self._ends else 0

    def place_of(self, number: int) -> int | None:
        """Return the byte of the volume where a record begins; `None`: the MFT has no such one."""
        at = number * self.record_bytes
        run = bisect_right(self._ends, at)
        if run >= len(self.places):
            return None
        place = self.places[run]
        if place.start == HOLE:
            return None
        return place.start + at - (self._ends[run] - place.length)

    def record(self, number: int, base: int = 0) -> Record:
        """Return a record; `base`: the record that it extends.

        Raises:
            NotPlainError: it is not in use, not whole, not the one, or extends another.
            struct.error: it ends early.
        """
        data = self._stored(number * self.record_bytes)
        signature, at, count, own, links, first, flags, used, extends, itself = _HEAD.unpack_from(
            data
        )
        plain = signature == FILE_SIGNATURE and extends & NUMBER == base and flags & IN_USE_FLAG
        if (
            not plain
            or used > len(data)
            or (at >= SELF_NUMBERED_AT and itself != number & 0xFFFFFFFF)
        ):
            raise NotPlainError
        whole = undone(data, at, count, self.record_bytes, used)
        return Record(whole + _PAD, own, links, bool(flags & FOLDER_FLAG), first, used)

    def read(self, at: int, length: int) -> bytes:
        """Return bytes of the MFT, fewer at its end.

        Raises:
            NotPlainError: they cannot be read.
        """
        parts: list[bytes] = []
        for run in range(bisect_right(self._ends, at), len(self.places)):
            place = self.places[run]
            inside = at - (self._ends[run] - place.length)
            size = min(place.length - inside, length)
            try:
                # NOTE: zeros are no record; those beside the hole are what they are.
                hole = place.start == HOLE
                parts.append(bytes(size) if hole else self.window.read(place.start + inside, size))
            except UNREADABLE as error:
                raise NotPlainError from error
            at, length = at + size, length - size
            if not length:
                break
        return b"".join(parts)

    def _stored(self, at: int) -> bytes:
        """Return the record at a byte of the MFT as it is stored.

        It comes from a piece that is kept for a while; where a piece cannot be read whole, alone.
        """
        index, inside = divmod(at, PIECE_BYTES)
        if index not in self._pieces:
            if len(self._pieces) >= PIECES_KEPT:
                self._pieces.popitem(last=False)
            self._pieces[index] = None
            with suppress(NotPlainError):
                self._pieces[index] = self.read(index * PIECE_BYTES, PIECE_BYTES)
        piece = self._pieces[index]
        if piece is None:
            return self.read(at, self.record_bytes)
        return piece[inside : inside + self.record_bytes]


def mft_of(window: Window) -> RecordTable:
    """Return the MFT of an NTFS volume, as its first record tells it.

    Raises:
        StructureError: neither copy of that record is whole, or a part of its run list is missing.
        SourceUnreadable, PastEnd: they cannot be read.
    """
    sizes = geometry(BOOT_SECTOR.parse(window.read(0, BOOT_SECTOR.size)))
    if sizes is None:
        raise StructureError(BOOT_SECTOR.name, 0, "sizes", "those of NTFS", "others")
    records = Records(
        window, sizes.record_bytes, sizes.cluster_bytes, sizes.mft_offset, sizes.mirror_offset
    )
    places = tuple(
        Place(None, HOLE if start is None else start, length)
        for start, length in records.load().ranges
    )
    return RecordTable(window, sizes.record_bytes, sizes.cluster_bytes, sizes.clusters, places)


def undone(data: bytes, at: int, count: int, length: int, used: int | None = None) -> bytes:
    """Return a record or an index block of `length` bytes with its fix-ups undone.

    `used`: strides behind that byte are left as they are.

    SPEC: the last two bytes of each stride hold the update sequence number, and what stood there
    is kept in the update sequence (libfsntfs, 'The fix-up values').

    Raises:
        NotPlainError: it is torn, or cut.
    """
    strides = len(data) // STRIDE
    if len(data) != length or count != strides + 1 or at + 2 * count > STRIDE - 2:
        raise NotPlainError
    number = data[at : at + 2]
    whole = None
    for stride in range(1, strides + 1):
        last = stride * STRIDE - 2
        if data[last : last + 2] != number:
            raise NotPlainError
        if used is None or used > last:
            whole = whole or bytearray(data)
            whole[last : last + 2] = data[at + 2 * stride : at + 2 * stride + 2]
    return data if whole is None else bytes(whole)
