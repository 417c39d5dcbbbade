"""VHD: a raw drive and a footer, or blocks behind a table; every checksum is verified."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING
from uuid import UUID

import numpy as np

from verify.source.images.blocks import MOST_BLOCKS, ZEROS, BlockMap, hold_apart, notes_on_unnamed
from verify.source.images.facts import ImageFacts
from verify.source.images.image_file import Image, ImageDamage, ImageFile, Refusing
from verify.source.images.vhd_padding import padding_bytes
from verify.structs import vhd
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.structs.base import Record, Structure

_FOOTER_BYTES = vhd.FOOTER.size
_SHUT_DOWN = say("Shut the machine down, so that the file is complete, and copy it again.")
_MERGE = say("Merge it with its parent into a whole image, with the program that made it.")
_CACHED_BITMAPS = 64


def checksum(data: bytes, structure: Structure) -> int:
    """Return the ones' complement of the sum of a structure's bytes, its own field left out."""
    own = vhd.CHECKSUM_FIELDS[structure.name]
    return ~(sum(data) - sum(data[own])) & 0xFFFF_FFFF


def fixed_footer_problem(data: bytes, file_bytes: int) -> str | None:
    """Return why 512 bytes at the end of a file are no footer of a fixed disk in that file."""
    footer = vhd.FOOTER.parse(data)
    if footer.number("Checksum") != checksum(data, vhd.FOOTER):
        return say("the checksum of its footer is wrong")
    if footer.number("DiskType") == vhd.FIXED:
        if footer.number("CurrentSize") + _FOOTER_BYTES != file_bytes:
            stored = footer.number("CurrentSize")
            return say(
                "its footer counts {stored} bytes in front of it, which does not fit the file",
                stored=stored,
            )
        return None
    return say("its footer belongs to a dynamic VHD, whose beginning is missing")


def open_fixed(file: ImageFile, data: bytes) -> FixedVhd:
    """Open a raw drive with a footer behind it.

    Raises:
        ImageRefused: the footer departs from the specification.
    """
    refusing = Refusing(file.path, say("a VHD of fixed size"))
    footer = vhd.FOOTER.parse(data)
    _hold_footer(refusing, footer)
    if footer.number("DataOffset") != vhd.NOWHERE:
        raise refusing.because(say("its footer names a header that a fixed disk does not have"))
    verified = (say("checksum of the footer"),)
    image = FixedVhd(files=[file], facts=_facts(file, footer, say("fixed"), verified))
    image.facts = _with_padding(image, footer)
    return image


class FixedVhd(Image):
    """The file's bytes up to its footer."""

    __slots__ = ()

    def read(self, offset: int, length: int) -> bytes:
        """Return these bytes of the drive."""
        return self.files[0].read(offset, length)


def open_dynamic(file: ImageFile) -> DynamicVhd:
    """Open a VHD in blocks: the footer and its copy, the header and the table are verified.

    Raises:
        ImageRefused: one of them is damaged, or it is a differencing disk.
    """
    refusing = Refusing(file.path, say("a dynamic VHD"))
    footer = _footers(refusing, file)
    if footer.number("DiskType") == vhd.DIFFERENCING:
        raise Refusing(file.path, say("a differencing VHD")).because(
            say("it holds only what differs from its parent"), _MERGE
        )
    if footer.number("DiskType") != vhd.DYNAMIC:
        raise refusing.because(
            say("its footer has the unknown type {kind}", kind=footer.number("DiskType"))
        )
    _hold_footer(refusing, footer)
    at = footer.number("DataOffset")
    header_data = refusing.read(file, at, vhd.DYNAMIC_HEADER.size, say("its dynamic disk header"))
    header = vhd.DYNAMIC_HEADER.parse(header_data, at)
    _hold_header(refusing, header, header_data, footer.number("CurrentSize"))
    blocks, notes = _blocks(refusing, file, footer, header)
    verified = (
        say("checksums of the footer, of its copy and of the dynamic disk header"),
        say("every block lies inside the file, apart from all others"),
    )
    image = DynamicVhd(
        files=[file], facts=_facts(file, footer, say("dynamic"), verified), blocks=blocks
    )
    image.facts = _with_padding(image, footer)
    image.facts = replace(image.facts, notes=(*image.facts.notes, *notes))
    return image


def _footers(refusing: Refusing, file: ImageFile) -> Record:
    if file.size_bytes % vhd.SECTOR_BYTES:
        raise refusing.because(
            say("it has {size:,} bytes, not a whole number of sectors", size=file.size_bytes)
        )
    first = refusing.read(file, 0, _FOOTER_BYTES, say("the copy of its footer"))
    last = refusing.read(file, file.size_bytes - _FOOTER_BYTES, _FOOTER_BYTES, say("its footer"))
    if not last.startswith(vhd.COOKIE):
        raise refusing.because(say("its end has no footer: it was cut short, or is being written"))
    for data, what in (
        (last, say("its footer")),
        (first, say("the copy of its footer at the start")),
    ):
        if vhd.FOOTER.parse(data).number("Checksum") != checksum(data, vhd.FOOTER):
            raise refusing.because(say("the checksum of {what} is wrong", what=what))
    if first != last:
        raise refusing.because(say("its footer and the copy at the start differ"))
    return vhd.FOOTER.parse(last, file.size_bytes - _FOOTER_BYTES)


def _hold_footer(refusing: Refusing, footer: Record) -> None:
    if footer.number("FileFormatVersion") >> 16 != vhd.VERSION >> 16:
        raise refusing.because(say("its footer is of an unknown version"))
    if footer.number("SavedState"):
        raise refusing.because(say("its machine is in saved state, and not shut down"), _SHUT_DOWN)
    size = footer.number("CurrentSize")
    if not size or size % vhd.SECTOR_BYTES:
        raise refusing.because(
            say("its drive has {size} bytes, not a whole number of sectors", size=size)
        )


def _hold_header(refusing: Refusing, header: Record, data: bytes, size_bytes: int) -> None:
    if header.raw("Cookie") != vhd.DYNAMIC_COOKIE:
        raise refusing.because(say("there is no dynamic disk header where its footer says"))
    if header.number("Checksum") != checksum(data, vhd.DYNAMIC_HEADER):
        raise refusing.because(say("the checksum of its dynamic disk header is wrong"))
    if header.number("HeaderVersion") >> 16 != vhd.VERSION >> 16:
        raise refusing.because(say("its dynamic disk header is of an unknown version"))
    block = header.number("BlockSize")
    if block < vhd.SECTOR_BYTES or block & (block - 1):
        raise refusing.because(
            say("its block size, {block} bytes, is not a power of two", block=block)
        )
    entries = header.number("MaxTableEntries")
    if -(-size_bytes // block) > entries or entries > MOST_BLOCKS:
        raise refusing.because(say("its block allocation table does not reach to the drive's end"))


def _blocks(
    refusing: Refusing, file: ImageFile, footer: Record, header: Record
) -> tuple[SectorMap, tuple[Message, ...]]:
    """Return the blocks, and notes on what lies between them."""
    size, block = footer.number("CurrentSize"), header.number("BlockSize")
    at, count = header.number("TableOffset"), -(-size // block)
    most = header.number("MaxTableEntries")
    table = refusing.read(file, at, most * 4, say("its block allocation table"))
    stored = np.frombuffer(table, ">u4")
    if np.any(stored[count:] != vhd.UNUSED):
        raise refusing.because(
            say("its block allocation table names blocks beyond the end of its drive")
        )
    entries = stored[:count].astype(np.int64)
    bitmap_bytes = -(-block // vhd.SECTOR_BYTES // 8)
    bitmap_bytes += -bitmap_bytes % vhd.SECTOR_BYTES
    table_end = at + most * 4 + -(most * 4) % vhd.SECTOR_BYTES
    used = entries != vhd.UNUSED
    places = np.where(used, entries * vhd.SECTOR_BYTES, ZEROS)
    headers = header.at, header.at + vhd.DYNAMIC_HEADER.size
    structures = [
        (0, _FOOTER_BYTES),
        headers,
        (at, table_end),
        (file.size_bytes - _FOOTER_BYTES, file.size_bytes),
    ]
    length = bitmap_bytes + block
    hold_apart(refusing, file, (places, length, length), structures, say("a block"))
    # NOTE: Windows fills up its tables with a sector of unused entries beyond MaxTableEntries.
    filled = refusing.read(file, table_end, _FOOTER_BYTES, say("its block allocation table"))
    if filled.count(0xFF) == _FOOTER_BYTES and not np.any(places == table_end):
        structures.append((table_end, table_end + _FOOTER_BYTES))
    notes = notes_on_unnamed(refusing, file, (places, length), structures, least=length)
    return SectorMap(file, size, block, places, bitmap_bytes), notes


@dataclass(slots=True)
class SectorMap(BlockMap):
    """Blocks that begin with a bitmap of `bitmap_bytes`: which sectors were ever written."""

    bitmap_bytes: int
    _bitmaps: dict[int, bytes] = field(default_factory=dict)

    def _read(self, block: int, inside: int, length: int) -> bytes:
        place = int(self.places[block])
        if place == ZEROS:
            return bytes(length)
        data = self.file.read(place + self.bitmap_bytes + inside, length)
        self._hold_written(self._bitmap(block, place), inside, data)
        return data

    def _bitmap(self, block: int, place: int) -> bytes:
        known = self._bitmaps.get(block)
        if known is None:
            if len(self._bitmaps) >= _CACHED_BITMAPS:
                self._bitmaps.clear()
            used = self.block_bytes // vhd.SECTOR_BYTES // 8
            known = self._bitmaps[block] = self.file.read(place, used or 1)
        return known

    def _hold_written(self, bitmap: bytes, inside: int, data: bytes) -> None:
        """Hold that a sector which was never written, by its bit, has nothing in it.

        NOTE: the specification calls it unused; readers disagree on whether it is zeros or what
        stands there. Where both are the same, both are right.
        """
        first = inside // vhd.SECTOR_BYTES
        last = (inside + len(data) - 1) // vhd.SECTOR_BYTES
        bits = bitmap[first // 8 : last // 8 + 1]
        if bits.count(0xFF) == len(bits):
            return
        for sector in range(first, last + 1):
            if bitmap[sector // 8] & 0x80 >> sector % 8:
                continue
            start = max(sector * vhd.SECTOR_BYTES - inside, 0)
            if any(data[start : (sector + 1) * vhd.SECTOR_BYTES - inside]):
                raise ImageDamage


@dataclass(slots=True, kw_only=True)
class DynamicVhd(Image):
    """A drive in blocks, each with a bitmap."""

    blocks: SectorMap

    def read(self, offset: int, length: int) -> bytes:
        """Return these bytes of the drive."""
        return self.blocks.read(offset, length)


def _geometry_bytes(footer: Record) -> int | None:
    """Return the size by the geometry; `None` for the largest, which says nothing of a size."""
    geometry = tuple(footer.number(name) for name in ("Cylinders", "Heads", "SectorsPerTrack"))
    if geometry == vhd.MOST_CYLINDERS:
        return None
    return geometry[0] * geometry[1] * geometry[2] * vhd.SECTOR_BYTES


def _with_padding(image: Image, footer: Record) -> ImageFacts:
    """Return the facts, with the zeros that round the drive up to whole cylinders."""
    facts = image.facts
    count = padding_bytes(image) if _geometry_bytes(footer) == facts.drive_bytes else 0
    if not count:
        return facts
    words = say(
        "The VHD is rounded up to whole cylinders: {count:,} bytes of zeros stand behind the end"
        " of the drive's partition table.",
        count=count,
    )
    return replace(facts, padding_bytes=count, notes=(*facts.notes, words))


def _facts(
    file: ImageFile, footer: Record, form: Message, verified: tuple[Message, ...]
) -> ImageFacts:
    size = footer.number("CurrentSize")
    by_geometry = _geometry_bytes(footer)
    notes: tuple[Message, ...] = ()
    if by_geometry is not None and by_geometry != size:
        words = say(
            "The drive's size is the footer's current size, {size:,} bytes. Its cylinders, heads"
            " and sectors make {geometry:,} bytes, which some programs take instead.",
            size=size,
            geometry=by_geometry,
        )
        notes = (words,)
    return ImageFacts(
        kind="vhd",
        form=form,
        files=(file.stored,),
        drive_bytes=size,
        size_from=say("current size in the footer"),
        geometry_bytes=by_geometry if notes else None,
        identifier=str(UUID(bytes=footer.raw("UniqueId"))).upper(),
        maker=_ascii(footer.raw("CreatorApplication")),
        verified=verified,
        notes=notes,
    )


def _ascii(raw: bytes) -> str | None:
    text = raw.decode("ascii", "replace").strip("\0 ")
    return text if text.isascii() and text.isprintable() and text else None
