"""VHDX: headers and region tables by their checksums, a pending log, every block's place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from uuid import UUID

import google_crc32c
import numpy as np

from verify.source.images.blocks import (
    LOST,
    MOST_BLOCKS,
    ZEROS,
    BlockMap,
    hold_apart,
    is_zeros,
    notes_on_unnamed,
)
from verify.source.images.facts import ImageFacts
from verify.source.images.image_file import Image, Refusing
from verify.structs import vhdx
from verify.text.message import Message, counted, say

if TYPE_CHECKING:
    from verify.source.images.blocks import Places
    from verify.source.images.image_file import ImageFile
    from verify.structs.base import Record

_ATTACH = say(
    "Attach it once to a machine that writes VHDX files, which completes it, detach it, and copy"
    " it again."
)
_MERGE = say("Merge it with its parent into a whole image, with the program that made it.")
_TABLE_BYTES = 64 << 10


@dataclass(frozen=True, slots=True)
class _Metadata:
    """What the metadata region says of the drive; sizes in bytes."""

    block_bytes: int
    fixed: bool
    drive_bytes: int
    sector_bytes: int
    physical_sector_bytes: int
    identifier: str


@dataclass(slots=True, kw_only=True)
class Vhdx(Image):
    """A drive in blocks of 1 to 256 MiB."""

    blocks: BlockMap

    def read(self, offset: int, length: int) -> bytes:
        """Return these bytes of the drive."""
        return self.blocks.read(offset, length)


def open_vhdx(file: ImageFile) -> Vhdx:
    """Open a VHDX: whatever is damaged, pending or unknown is refused.

    Raises:
        ImageRefused: with what is wrong with it.
    """
    refusing = Refusing(file.path, say("a VHDX"))
    if file.size_bytes % vhdx.MIB:
        # NOTE: all that a VHDX consists of lies at multiples of 1 MiB (MS-VHDX 2.1).
        raise refusing.because(
            say("it has {size:,} bytes, not a whole number of MiB", size=file.size_bytes)
        )
    header = _header(refusing, file)
    regions = _regions(refusing, file)
    metadata_at, metadata_bytes = regions[vhdx.METADATA_REGION]
    metadata = _metadata(refusing, file, metadata_at, metadata_bytes)
    log = header.number("LogOffset"), header.number("LogLength")
    structures = [(0, vhdx.MIB), (log[0], sum(log))]
    structures += [(start, start + length) for start, length in regions.values()]
    places, given_back, notes = _places(refusing, file, regions[vhdx.BAT_REGION], metadata)
    length = metadata.block_bytes
    what = say("a block, a region or its log")
    hold_apart(refusing, file, (places, length, length), structures, what)
    structures += [(start, min(start + length, file.size_bytes)) for start in given_back]
    # NOTE: a log or table that was moved when the drive grew is left behind in whole MiB.
    notes += notes_on_unnamed(refusing, file, (places, length), structures, least=0)
    notes += _behind_end(file, places, metadata)
    creator = file.read(len(vhdx.SIGNATURE), 512).decode("utf-16-le", "replace").split("\0")[0]
    facts = ImageFacts(
        kind="vhdx",
        form=say("fixed") if metadata.fixed else say("dynamic"),
        files=(file.stored,),
        drive_bytes=metadata.drive_bytes,
        size_from=say("virtual disk size in the metadata region"),
        identifier=metadata.identifier,
        maker=creator if creator.isprintable() and creator else None,
        verified=(
            say("checksums of both headers and of both region tables"),
            say("the log holds nothing that is still to be applied"),
            say("every block lies inside the file, apart from all others"),
        ),
        notes=notes,
    )
    blocks = BlockMap(file, metadata.drive_bytes, metadata.block_bytes, places)
    return Vhdx(
        files=[file],
        facts=facts,
        sector_bytes=metadata.sector_bytes,
        physical_sector_bytes=metadata.physical_sector_bytes,
        blocks=blocks,
    )


def _is_checked(data: bytes) -> bool:
    zeroed = data[: vhdx.CHECKSUM_FIELD.start] + bytes(4) + data[vhdx.CHECKSUM_FIELD.stop :]
    stored = int.from_bytes(data[vhdx.CHECKSUM_FIELD], "little")
    return int(google_crc32c.value(zeroed)) == stored


def _header(refusing: Refusing, file: ImageFile) -> Record:
    """Return the current header.

    NOTE: with one header damaged nobody knows whether it was the current one, and named a log.
    """
    found = []
    for number, at in enumerate(vhdx.HEADER_OFFSETS, 1):
        data = refusing.read(file, at, vhdx.HEADER_BYTES, say("header {number}", number=number))
        if not data.startswith(b"head") or not _is_checked(data):
            raise refusing.because(
                say("header {number} of 2 is damaged: its checksum is wrong", number=number)
            )
        found.append(vhdx.HEADER.parse(data, at))
    one, other = found
    same_number = one.number("SequenceNumber") == other.number("SequenceNumber")
    if same_number and one.values != other.values:
        raise refusing.because(say("its two headers differ under one sequence number"))
    current = max(found, key=lambda item: item.number("SequenceNumber"))
    if current.number("Version") != 1:
        raise refusing.because(
            say("it is of the unknown version {version}", version=current.number("Version"))
        )
    if any(current.raw("LogGuid")):
        raise refusing.because(
            say("its log holds changes that are still to be applied to its contents"), _ATTACH
        )
    start, length = current.number("LogOffset"), current.number("LogLength")
    if start % vhdx.MIB or length % vhdx.MIB or (length and start < vhdx.MIB):
        raise refusing.because(say("its log lies outside the allowed range"))
    return current


def _regions(refusing: Refusing, file: ImageFile) -> dict[bytes, tuple[int, int]]:
    """Return place and length of the two regions that there have to be."""
    tables = []
    for number, at in enumerate(vhdx.REGION_TABLE_OFFSETS, 1):
        data = refusing.read(
            file, at, vhdx.REGION_TABLE_BYTES, say("region table {number}", number=number)
        )
        if not data.startswith(b"regi") or not _is_checked(data):
            raise refusing.because(
                say("region table {number} of 2 is damaged: its checksum is wrong", number=number)
            )
        tables.append(data)
    count = vhdx.REGION_TABLE.parse(tables[0]).number("EntryCount")
    used = vhdx.REGION_TABLE.size + count * vhdx.REGION_ENTRY.size
    if count > vhdx.MOST_ENTRIES or tables[0][:used] != tables[1][:used]:
        raise refusing.because(say("its two region tables differ, or hold too many entries"))
    regions: dict[bytes, tuple[int, int]] = {}
    for at in range(vhdx.REGION_TABLE.size, used, vhdx.REGION_ENTRY.size):
        entry = vhdx.REGION_ENTRY.parse(tables[0][at:], at)
        guid, start, length = (
            entry.raw("Guid"),
            entry.number("FileOffset"),
            entry.number("Length"),
        )
        known = guid in {vhdx.BAT_REGION, vhdx.METADATA_REGION}
        if entry.number("Required") & 1 and not known:
            raise refusing.because(say("it has a required region that this program does not know"))
        if guid in regions or start % vhdx.MIB or length % vhdx.MIB or start < vhdx.MIB:
            raise refusing.because(
                say("its region table names a region twice, or outside the allowed range")
            )
        if start + length > file.size_bytes:
            raise refusing.because(
                say("a region lies beyond the end of the file: it was cut short")
            )
        regions[guid] = start, length
    if not {vhdx.BAT_REGION, vhdx.METADATA_REGION} <= set(regions):
        raise refusing.because(say("its region table does not name its tables"))
    return regions


def _metadata(refusing: Refusing, file: ImageFile, at: int, region_bytes: int) -> _Metadata:
    items = _metadata_items(refusing, file, at, region_bytes)

    def item(guid: bytes, length: int) -> bytes:
        data = items.get(guid, b"")
        if len(data) != length:
            raise refusing.because(say("its metadata lacks an item, or has one of another length"))
        return data

    def number(guid: bytes, length: int) -> int:
        return int.from_bytes(item(guid, length), "little")

    parameters = vhdx.FILE_PARAMETERS.parse(item(vhdx.FILE_PARAMETERS_ITEM, 8))
    flags, block = parameters.number("Flags"), parameters.number("BlockSize")
    if flags & vhdx.HAS_PARENT or vhdx.PARENT_LOCATOR_ITEM in items:
        raise Refusing(file.path, say("a differencing VHDX")).because(
            say("it holds only what differs from its parent"), _MERGE
        )
    size = number(vhdx.DISK_SIZE_ITEM, 8)
    logical = number(vhdx.LOGICAL_SECTOR_ITEM, 4)
    physical = number(vhdx.PHYSICAL_SECTOR_ITEM, 4)
    if flags & ~(vhdx.HAS_PARENT | vhdx.STAYS_ALLOCATED):
        raise refusing.because(
            say("its file parameters have flags that this program does not know")
        )
    if not vhdx.SMALLEST_BLOCK <= block <= vhdx.LARGEST_BLOCK or block & (block - 1):
        raise refusing.because(
            say(
                "its block size, {block} bytes, is not a power of two from 1 to 256 MiB",
                block=block,
            )
        )
    if logical not in (512, 4096) or physical not in (512, 4096):
        raise refusing.because(
            say(
                "its sectors have {logical} and {physical} bytes, not 512 or 4096",
                logical=logical,
                physical=physical,
            )
        )
    if not 0 < size <= vhdx.LARGEST_DISK or size % logical:
        raise refusing.because(
            say("its drive has {size} bytes, not a whole number of sectors", size=size)
        )
    identifier = str(UUID(bytes_le=item(vhdx.DISK_ID_ITEM, 16))).upper()
    fixed = bool(flags & vhdx.STAYS_ALLOCATED)
    return _Metadata(block, fixed, size, logical, physical, identifier)


_KNOWN_ITEMS = frozenset(
    {
        vhdx.FILE_PARAMETERS_ITEM,
        vhdx.DISK_SIZE_ITEM,
        vhdx.DISK_ID_ITEM,
        vhdx.LOGICAL_SECTOR_ITEM,
        vhdx.PHYSICAL_SECTOR_ITEM,
        vhdx.PARENT_LOCATOR_ITEM,
    }
)
_REQUIRED = 4
_LONGEST_ITEM = 1 << 20


def _metadata_items(
    refusing: Refusing, file: ImageFile, at: int, region_bytes: int
) -> dict[bytes, bytes]:
    table = refusing.read(file, at, _TABLE_BYTES, say("its metadata table"))
    head = vhdx.METADATA_TABLE.parse(table, at)
    count = head.number("EntryCount")
    if head.raw("Signature") != b"metadata" or count > vhdx.MOST_ENTRIES:
        raise refusing.because(say("there is no metadata table where its region table says"))
    items: dict[bytes, bytes] = {}
    for index in range(1, count + 1):
        entry = vhdx.METADATA_ENTRY.parse(table[index * vhdx.METADATA_ENTRY.size :])
        guid, start, length = entry.raw("ItemId"), entry.number("Offset"), entry.number("Length")
        if guid not in _KNOWN_ITEMS:
            if entry.number("Flags") & _REQUIRED:
                raise refusing.because(
                    say("it has a required item that this program does not know")
                )
            continue
        if guid in items or length > _LONGEST_ITEM or start + length > region_bytes:
            raise refusing.because(
                say("its metadata table names an item twice, or outside its region")
            )
        if length and start < _TABLE_BYTES:
            raise refusing.because(say("an item of its metadata lies inside their table"))
        items[guid] = refusing.read(file, at + start, length, say("an item of its metadata"))
    return items


def _places(
    refusing: Refusing, file: ImageFile, region: tuple[int, int], metadata: _Metadata
) -> tuple[Places, list[int], tuple[Message, ...]]:
    """Return where each payload block is, by the block allocation table, and a note of some.

    Between them: where blocks lie that were given back, and whose old bytes may still be there.
    """
    count = -(-metadata.drive_bytes // metadata.block_bytes)
    ratio = vhdx.SECTORS_PER_BITMAP_BLOCK * metadata.sector_bytes // metadata.block_bytes
    entries = count + (count - 1) // ratio
    if entries > MOST_BLOCKS:
        raise refusing.because(say("its block allocation table is larger than this program reads"))
    if entries * 8 > region[1]:
        raise refusing.because(say("its block allocation table does not reach to the drive's end"))
    table = np.frombuffer(
        refusing.read(file, region[0], entries * 8, say("its block allocation table")), "<u8"
    )
    end = region[0] + region[1]
    if not is_zeros(file, region[0] + entries * 8, end):
        raise refusing.because(
            say("its block allocation table names blocks beyond the end of its drive")
        )
    bitmaps = np.arange(entries) % (ratio + 1) == ratio
    state = table & vhdx.STATE_MASK
    payload, states = table[~bitmaps], state[~bitmaps]
    if np.any(table & vhdx.RESERVED_MASK) or np.any(state[bitmaps] != vhdx.NOT_PRESENT):
        raise refusing.because(say("its block allocation table has bits set that must be clear"))
    known = (vhdx.NOT_PRESENT, vhdx.UNDEFINED, vhdx.ZERO, vhdx.UNMAPPED, vhdx.FULLY_PRESENT)
    if not np.isin(states, known).all():
        raise refusing.because(say("a block is in a state that only a differencing disk may have"))
    offsets = payload >> np.uint64(vhdx.PLACE_SHIFT)
    present = states == vhdx.FULLY_PRESENT
    if np.any(present & (offsets > file.size_bytes // vhdx.MIB)):
        raise refusing.because(say("a block lies beyond the end of the file: it was cut short"))
    places = np.where(present, offsets.astype(np.int64) * vhdx.MIB, ZEROS)
    undefined, unmapped = states == vhdx.UNDEFINED, states == vhdx.UNMAPPED
    places[undefined] = LOST
    kept = (undefined | unmapped) & (offsets > 0) & (offsets < file.size_bytes // vhdx.MIB)
    given_back = (offsets[kept].astype(np.int64) * vhdx.MIB).tolist()
    return (
        places,
        given_back,
        _notes(
            int(undefined.sum()),
            int(unmapped.sum()),
            int((states == vhdx.NOT_PRESENT).sum()) if metadata.fixed else 0,
        ),
    )


def _behind_end(file: ImageFile, places: Places, metadata: _Metadata) -> tuple[Message, ...]:
    """Return a note where the last block has something behind the end of the drive."""
    used = metadata.drive_bytes % metadata.block_bytes
    place = int(places[-1])
    if not used or place < 0 or is_zeros(file, place + used, place + metadata.block_bytes):
        return ()
    return (
        say(
            "Its last block has data behind the end of the drive: the drive was made smaller, or"
            " the size that the VHDX records is damaged."
        ),
    )


def _notes(undefined: int, unmapped: int, absent: int) -> tuple[Message, ...]:
    notes = []
    if undefined:
        notes.append(
            counted(
                "{count} block has no defined contents by the VHDX's own table: it is unreadable.",
                "{count} blocks have no defined contents by the VHDX's own table: they are"
                " unreadable.",
                undefined,
            )
        )
    if unmapped:
        notes.append(
            counted(
                "{count} block was given back by its system (trimmed): it is read as zeros.",
                "{count} blocks were given back by their system (trimmed): they are read as zeros.",
                unmapped,
            )
        )
    if absent:
        notes.append(
            counted(
                "{count} block is not stored although the VHDX is of fixed size: it is read as"
                " zeros.",
                "{count} blocks are not stored although the VHDX is of fixed size: they are read"
                " as zeros.",
                absent,
            )
        )
    return tuple(notes)
