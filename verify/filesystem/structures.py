"""Where a filesystem's own structures lie, by name: what an unreadable sector may have hit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from verify.errors import PastEnd, SourceUnreadable, StructureError
from verify.filesystem.careful_reading import Reader
from verify.filesystem.ext.groups import Groups
from verify.filesystem.volume import Place
from verify.structs.ext import SUPERBLOCK, SUPERBLOCK_OFFSET
from verify.structs.fat import BOOT_SECTOR, EXTENDED_32

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.source.window import Window

# SPEC: NTFS keeps its structures in files of fixed record numbers (libfsntfs, NTFS format).
NTFS_FILES = (
    "$MFT",
    "$MFTMirr",
    "$LogFile",
    "$Volume",
    "$AttrDef",
    "the root folder",
    "$Bitmap",
    "$Boot",
    "$BadClus",
    "$Secure",
    "$UpCase",
    "$Extend",
)

_JOURNAL_INODE = 8
_ROOT_ENTRY_BYTES = 32


def fat_structures(window: Window) -> Iterator[Place]:
    """Yield the reserved sectors, each FAT, and the root directory where it has a place."""
    try:
        raw = window.read(0, BOOT_SECTOR.size)
        boot, extended = BOOT_SECTOR.parse(raw), EXTENDED_32.parse(raw)
    except (SourceUnreadable, PastEnd, StructureError):
        yield Place("the boot sector", 0, BOOT_SECTOR.size)
        return
    sector = boot.number("BPB_BytsPerSec")
    at = boot.number("BPB_RsvdSecCnt") * sector
    yield Place("the boot sector and its copy", 0, at)
    length = (boot.number("BPB_FATSz16") or extended.number("BPB_FATSz32")) * sector
    for number in range(boot.number("BPB_NumFATs")):
        yield Place(f"FAT {number + 1}", at, length)
        at += length
    if boot.number("BPB_RootEntCnt"):
        yield Place("the root folder", at, boot.number("BPB_RootEntCnt") * _ROOT_ENTRY_BYTES)


def ext_structures(window: Window) -> Iterator[Place]:
    """Yield superblocks with descriptors, bitmaps and inode tables, group by group."""
    yield Place("the superblock", 0, 2 * SUPERBLOCK_OFFSET)
    try:
        block = SUPERBLOCK.parse(window.read(SUPERBLOCK_OFFSET, SUPERBLOCK.size))
    except (SourceUnreadable, PastEnd, StructureError):
        return
    groups = Groups(Reader(window), block)
    for name, first, count in groups.structures():
        yield Place(name, first * groups.block_bytes, count * groups.block_bytes)


def own_files(kind: str) -> Iterator[tuple[int, str]]:
    """Yield (record or inode, name) of the files that hold a filesystem's structures."""
    if kind == "ntfs":
        yield from enumerate(NTFS_FILES)
    elif kind.startswith("ext") and kind != "exfat":
        yield _JOURNAL_INODE, "the journal"


def runs_of(item: Any, block_bytes: int) -> Iterator[tuple[int, str | None, Place]]:
    """Yield (attribute type, attribute name, place) of every run of a file, as the library has it.

    Sparse and filler runs have no place (run flags 2 and 1).
    """
    for attribute in item:
        name = attribute.info.name
        text = name.decode("utf-8", "surrogateescape") if name else None
        for run in attribute:
            if not int(run.flags) & 3:
                place = Place(None, int(run.addr) * block_bytes, int(run.len) * block_bytes)
                yield int(attribute.info.type), text, place
