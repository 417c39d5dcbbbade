"""Listing FAT12, FAT16 and FAT32 through the library."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytsk3

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.tsk.volume import Folder, LibraryVolume
from verify.filesystem.volume import Place
from verify.structs.fat import BOOT_SECTOR, EXTENDED_32

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry
    from verify.source.window import Window

_TYPES = {
    "fat12": pytsk3.TSK_FS_TYPE_FAT12,
    "fat16": pytsk3.TSK_FS_TYPE_FAT16,
    "fat32": pytsk3.TSK_FS_TYPE_FAT32,
}
_ROOT_ENTRY_BYTES = 32
_LABEL = b"(Volume Label Entry)"
"""What the library writes behind a label, which is an entry of the root."""


class FatListing(LibraryVolume):
    """A FAT volume; `kind`: with entries of how many bits."""

    def __init__(self, window: Window, kind: str) -> None:
        """Open the filesystem.

        Raises:
            ReaderError: the library does not take it.
        """
        super().__init__(window, _TYPES[kind])

    def _names_itself(self, folder: Folder, directory: Any) -> bool:  # noqa: ARG002
        return bool(folder.path)  # the root does not

    def _is_own(self, folder: Folder, name: Any, meta: Any) -> bool:
        raw: bytes = name.name
        return not folder.path and meta is not None and raw.endswith(_LABEL) and not int(meta.size)

    def _describe(self, entry: Entry, item: Any, parent: int) -> None:
        entry.attributes = _attributes(int(item.info.meta.mode))
        super()._describe(entry, item, parent)

    def _own_places(self) -> Iterator[Place]:
        """Yield the reserved sectors, each FAT, and the root directory where it has a place."""
        try:
            raw = self.window.read(0, BOOT_SECTOR.size)
            boot, extended = BOOT_SECTOR.parse(raw), EXTENDED_32.parse(raw)
        except UNREADABLE:
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


def _attributes(mode: int) -> int:
    """Return read-only (1) and hidden (2) of a FAT entry; the library tells no more.

    NOTE: it makes a Unix mode of them: 0333 stands for read-only, 0555 for hidden.
    """
    return (0 if mode & 0o444 else 1) | (0 if mode & 0o222 else 2)
