"""Listing ext2, ext3 and ext4 through the library, with what each inode keeps beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytsk3

from verify.filesystem.careful_reading import UNREADABLE, Reader
from verify.filesystem.ext.groups import Groups
from verify.filesystem.ext.inodes import ExtInodes
from verify.filesystem.tsk.volume import Folder, LibraryVolume, foreign
from verify.filesystem.volume import Place
from verify.structs.ext import SUPERBLOCK, SUPERBLOCK_OFFSET

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.entry import Entry
    from verify.source.window import Window

_JOURNAL_INODE = 8
_LEAST_BLOCK_BYTES = 1024
"""The smallest block: a folder in blocks is at least that long."""


class ExtListing(LibraryVolume):
    """An ext volume of any age."""

    def __init__(self, window: Window) -> None:
        """Open the filesystem.

        Raises:
            ReaderError: the library does not take it, or its superblock is not one.
        """
        super().__init__(window, pytsk3.TSK_FS_TYPE_EXT_DETECT)
        try:
            self._inodes = ExtInodes(window)
        except UNREADABLE as error:
            raise foreign("read the superblock", error) from error

    def _names_itself(self, folder: Folder, directory: Any) -> bool:  # noqa: ARG002
        # NOTE: a folder that lies in its inode (inline data) does not.
        meta = directory.info.fs_file.meta
        return meta is not None and int(meta.size) >= _LEAST_BLOCK_BYTES

    def _describe(self, entry: Entry, item: Any, parent: int) -> None:
        self._inodes.describe(entry)
        super()._describe(entry, item, parent)

    def _record_places(self, nodes: Iterable[int]) -> tuple[Iterator[int], int]:
        places = (self._inodes.place_of(node) for node in nodes)
        return (place for place in places if place is not None), self._inodes.groups.inode_bytes

    def _own_files(self) -> Iterable[tuple[int, str]]:
        return ((_JOURNAL_INODE, "the journal"),)

    def _own_places(self) -> Iterator[Place]:
        """Yield superblocks with descriptors, bitmaps and inode tables, group by group."""
        yield Place("the superblock", 0, 2 * SUPERBLOCK_OFFSET)
        try:
            block = SUPERBLOCK.parse(self.window.read(SUPERBLOCK_OFFSET, SUPERBLOCK.size))
        except UNREADABLE:
            return
        groups = Groups(Reader(self.window), block)
        for name, first, count in groups.structures():
            yield Place(name, first * groups.block_bytes, count * groups.block_bytes)
