"""A sparse extent of a VMDK: grains behind two levels of tables, compressed or not."""

from __future__ import annotations

import zlib
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.source.images.blocks import MOST_BLOCKS, ZEROS, BlockMap, hold_apart, notes_on_unnamed
from verify.source.images.image_file import ImageDamage
from verify.source.images.vmdk_stream import Stream
from verify.structs import vmdk
from verify.text.message import Message, say

if TYPE_CHECKING:
    import numpy.typing as npt

    from verify.source.images.blocks import Places
    from verify.source.images.image_file import ImageFile, Refusing
    from verify.structs.base import Record

_SECTOR = vmdk.SECTOR_BYTES
_LARGEST_GRAIN = 1 << 26
_CACHE_BYTES = 8 << 20
_SHUT_DOWN = say("Shut its machine down, so that the file is complete, and copy it again.")


@dataclass(slots=True)
class CompressedMap(BlockMap):
    """Grains that are compressed, each behind a marker with its place on the drive and its size."""

    _cache: OrderedDict[int, bytes | None] = field(default_factory=OrderedDict)

    def _read(self, block: int, inside: int, length: int) -> bytes:
        place = int(self.places[block])
        if place < 0:
            return super(CompressedMap, self)._read(block, inside, length)
        if block not in self._cache:
            self._cache[block] = self._inflated(block, place)
            while len(self._cache) > max(2, _CACHE_BYTES // self.block_bytes):
                self._cache.popitem(last=False)
        data = self._cache[block]
        if data is None or len(data) < inside + length:
            raise ImageDamage
        return data[inside : inside + length]

    def _inflated(self, block: int, place: int) -> bytes | None:
        """Return a grain; `None` where it is not what was stored there.

        NOTE: a grain is a zlib stream (RFC 1950), which ends with a checksum of its bytes.
        """
        marker = vmdk.MARKER.parse(self.file.read(place, vmdk.MARKER.size), place)
        size, begin = marker.number("size"), place + vmdk.GRAIN_MARKER_BYTES
        if marker.number("val") * _SECTOR != block * self.block_bytes:
            return None
        if not 0 < size <= 2 * self.block_bytes + _SECTOR or begin + size > self.file.size_bytes:
            return None
        stream = zlib.decompressobj()
        try:
            data = stream.decompress(self.file.read(begin, size), self.block_bytes + 1)
        except zlib.error:
            return None
        return data if stream.eof and len(data) <= self.block_bytes else None


@dataclass(frozen=True, slots=True)
class SparseExtent:
    """A sparse extent: its blocks, and the descriptor in it where there is one."""

    blocks: BlockMap
    sectors: int
    descriptor: bytes | None
    compressed: bool
    mirrored: bool
    notes: tuple[Message, ...]


def open_sparse(refusing: Refusing, file: ImageFile) -> SparseExtent:
    """Open a sparse extent: header, both directories and all tables are held against each other.

    Raises:
        ImageRefused: with what is wrong with it.
    """
    data = refusing.read(file, 0, vmdk.HEADER.size, say("its header"))
    header = vmdk.HEADER.parse(data)
    _hold_header(refusing, header)
    if header.number("gdOffset") == vmdk.AT_END:
        data, header = _footer(refusing, file, data)
    flags = header.number("flags")
    compressed = bool(flags & vmdk.HAS_COMPRESSED_GRAINS)
    if bool(header.number("compressAlgorithm") == vmdk.DEFLATE) != compressed:
        raise refusing.because(say("its header contradicts itself on compression"))
    structures = [(0, _SECTOR)]
    if header.at:
        structures.append((header.at, header.at + _SECTOR))
    descriptor = None
    if header.number("descriptorOffset"):
        at, length = (header.number(name) * _SECTOR for name in _DESCRIPTOR)
        text = refusing.read(file, at, min(length, _LONGEST), say("its descriptor"))
        descriptor = text if any(text) else None  # NOTE: an extent of several leaves room for one
        structures.append((at, at + length))
    grain = header.number("grainSize") * _SECTOR
    capacity = header.number("capacity")
    entries = _entries(refusing, file, header, "gdOffset", structures)
    mirrored = bool(flags & vmdk.HAS_REDUNDANT_TABLE)
    if mirrored and not np.array_equal(
        entries, _entries(refusing, file, header, "rgdOffset", structures)
    ):
        raise refusing.because(say("its two sets of grain tables differ"))
    places = _places(refusing, entries, zeroed=bool(flags & vmdk.HAS_ZEROED_GRAINS))
    begin = header.number("overHead") * _SECTOR
    if begin > file.size_bytes or np.any((places >= 0) & (places < begin)):
        raise refusing.because(say("a grain table names a grain inside its header"))
    size = capacity * _SECTOR
    last = size - (len(places) - 1) * grain
    lengths = (vmdk.MARKER.size,) * 2 if compressed else (grain, last)
    hold_apart(refusing, file, (places, *lengths), structures, say("a grain or a grain table"))
    if compressed:
        notes = Stream(refusing, file, begin, dict(structures), places, grain).walk()
    else:
        _hold_end(refusing, file, places, (grain, last))
        notes = notes_on_unnamed(refusing, file, (places, grain), [(0, begin)], least=grain)
    blocks = (CompressedMap if compressed else BlockMap)(file, size, grain, places)
    return SparseExtent(blocks, capacity, descriptor, compressed, mirrored, notes)


def _hold_end(
    refusing: Refusing, file: ImageFile, places: Places, lengths: tuple[int, int]
) -> None:
    """Hold that the file does not end inside its last grain, which may be as short as the drive."""
    grain, last = lengths
    place = int(places.max())
    stored = file.size_bytes - place
    short = place == places[-1] and stored == last
    if place >= 0 and stored < grain and not short:
        raise refusing.because(
            say(
                "{file} has {size:,} bytes and should end at byte {end:,} by its tables: bytes"
                " were removed",
                file=file.name,
                size=file.size_bytes,
                end=place + grain,
            )
        )


_DESCRIPTOR = ("descriptorOffset", "descriptorSize")
_LONGEST = 1 << 20


def _hold_header(refusing: Refusing, header: Record) -> None:
    flags, grain = header.number("flags"), header.number("grainSize")
    if header.raw("magicNumber") != vmdk.MAGIC or header.number("version") not in (1, 2, 3):
        raise refusing.because(say("its header is of an unknown version"))
    if flags & ~vmdk.KNOWN_FLAGS:
        raise refusing.because(say("its header has flags that this program does not know"))
    if flags & vmdk.HAS_NEWLINE_TEST and header.raw("newLineTest") != vmdk.NEWLINE_TEST:
        raise refusing.because(say("it was changed by a transfer as text"))
    if header.number("uncleanShutdown"):
        raise refusing.because(
            say("it was not closed: its machine is running, or crashed"), _SHUT_DOWN
        )
    if not vmdk.SMALLEST_GRAIN <= grain <= _LARGEST_GRAIN // _SECTOR or grain & (grain - 1):
        raise refusing.because(
            say("its grain size, {grain} sectors, is not a power of two", grain=grain)
        )
    if header.number("numGTEsPerGT") != vmdk.ENTRIES_PER_TABLE:
        raise refusing.because(say("its grain tables do not have 512 entries"))
    capacity = header.number("capacity")
    if not 0 < capacity <= MOST_BLOCKS * grain:
        raise refusing.because(
            say(
                "its header counts {capacity} sectors, more than such a file can hold",
                capacity=capacity,
            )
        )


def _footer(refusing: Refusing, file: ImageFile, first: bytes) -> tuple[bytes, Record]:
    """Return the copy of the header at the end of a stream, which names its grain directory."""
    at = file.size_bytes - 3 * _SECTOR
    cut = say("the end of its stream is missing: it was cut short")
    if at <= 0:
        raise refusing.because(cut)
    data = refusing.read(file, at, 3 * _SECTOR, say("its footer"))
    marker, end = vmdk.MARKER.parse(data), vmdk.MARKER.parse(data[2 * _SECTOR :])
    kinds = (marker.number("type"), end.number("type"), end.number("val"), end.number("size"))
    if kinds != (vmdk.FOOTER_MARKER, vmdk.END_OF_STREAM, 0, 0):
        raise refusing.because(cut)
    copy = data[_SECTOR : 2 * _SECTOR]
    header = vmdk.HEADER.parse(copy, at + _SECTOR)
    begin, end_at = 56, 64  # NOTE: all but gdOffset is the same in both
    if copy[:begin] + copy[end_at:] != first[:begin] + first[end_at:]:
        raise refusing.because(say("its header and the copy of it at the end differ"))
    if header.number("gdOffset") == vmdk.AT_END:
        raise refusing.because(say("neither of its headers names its grain directory"))
    return copy, header


def _entries(
    refusing: Refusing,
    file: ImageFile,
    header: Record,
    directory: str,
    structures: list[tuple[int, int]],
) -> npt.NDArray[np.uint32]:
    """Return the entries of all grain tables, by one of the two directories.

    A table that is not there has no grains; the places of all tables are added to `structures`.
    """
    grains = -(-header.number("capacity") // header.number("grainSize"))
    per_table = vmdk.ENTRIES_PER_TABLE
    tables, at = -(-grains // per_table), header.number(directory) * _SECTOR
    if not at:
        raise refusing.because(say("it has no grain directory"))
    data = refusing.read(file, at, tables * 4, say("its grain directory"))
    structures.append((at, at + tables * 4))
    entries = np.zeros(tables * per_table, np.uint32)
    for number, sector in enumerate(np.frombuffer(data, "<u4").tolist()):
        if not sector:
            continue
        place, length = sector * _SECTOR, per_table * 4
        table = refusing.read(file, place, length, say("a grain table"))
        structures.append((place, place + length))
        entries[number * per_table : (number + 1) * per_table] = np.frombuffer(table, "<u4")
    if np.any(entries[grains:]):
        raise refusing.because(say("its grain tables name grains beyond the end of its drive"))
    return entries[:grains]


def _places(refusing: Refusing, entries: npt.NDArray[np.uint32], *, zeroed: bool) -> Places:
    if np.any(entries == 1) and not zeroed:
        raise refusing.because(say("a grain table names a grain inside its header"))
    places = entries.astype(np.int64)
    places *= _SECTOR
    places[entries <= 1] = ZEROS  # NOTE: 0 is not stored, 1 is zeroed
    return places
