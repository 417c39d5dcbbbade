"""Listing ext2, ext3 and ext4: by folders and inodes, and what is not plain by the library."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytsk3

from verify.filesystem.careful_reading import UNREADABLE, Reader
from verify.filesystem.ext.entries import ExtEntries
from verify.filesystem.ext.folder_names import FOLDER_KIND, DamagedFolderError
from verify.filesystem.ext.groups import Groups
from verify.filesystem.ext.inodes import ExtInodes
from verify.filesystem.ext.runs import NotPlainError
from verify.filesystem.tsk.image import FOREIGN_ERRORS
from verify.filesystem.tsk.volume import (
    META_ALLOCATED,
    NO_RECORD,
    Folder,
    LibraryVolume,
    foreign,
)
from verify.filesystem.volume import Place
from verify.structs.ext import SUPERBLOCK, SUPERBLOCK_OFFSET
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.entry import Entry
    from verify.source.window import Window

_JOURNAL_INODE = 8
_LEAST_BLOCK_BYTES = 1024
"""The smallest block: a folder in blocks is at least that long."""


class ExtListing(LibraryVolume):
    """An ext volume of any age. `plain`: what reads it without the library; tests go without."""

    def __init__(self, window: Window) -> None:
        """Open the filesystem.

        Raises:
            ReaderError: the library does not take it, or its superblock is not one.
        """
        super().__init__(window, pytsk3.TSK_FS_TYPE_EXT_DETECT)
        try:
            self._inodes = ExtInodes(window)
            self.plain: ExtEntries | None = ExtEntries(self._inodes)
        except UNREADABLE as error:
            raise foreign(say("read the superblock"), error) from error

    def _list(self, folder: Folder) -> list[Entry]:
        """Return the entries of a folder; what the library finds where it is not whole."""
        plain = self.plain
        if plain is None:
            return self._by_library(folder)
        try:
            names = plain.names(folder.node)
        except NotPlainError:
            return self._by_library(folder)
        except DamagedFolderError as error:
            told = len(self.incomplete)
            found = self._by_library(folder)
            if len(self.incomplete) == told:
                self.incomplete.append(
                    say("{path}: {reason}", path=folder.path or "/", reason=error.reason)
                )
            return found
        found = []
        for number, name, kind in names:
            path = f"{folder.path}/{name.decode('utf-8', 'surrogateescape')}"
            entry = plain.entry(path, number)
            found.append(entry or self._opened(path, number, kind, folder.node))
        return found

    def _opened(self, path: str, number: int, kind: int, parent: int) -> Entry:
        """Return the entry of a name by the library."""
        try:
            item = self._fs.open_meta(inode=number)
            if int(item.info.meta.flags) & META_ALLOCATED:
                return self._of_item(item, path, parent)
        except FOREIGN_ERRORS:
            pass
        return self._unreadable(path, number, NO_RECORD, folder=kind == FOLDER_KIND)

    def _names_itself(self, folder: Folder, directory: Any) -> bool:  # noqa: ARG002
        # NOTE: a folder that lies in its inode (inline data) does not.
        meta = directory.info.fs_file.meta
        return meta is not None and int(meta.size) >= _LEAST_BLOCK_BYTES

    def _describe(self, entry: Entry, item: Any, parent: int) -> None:
        try:
            self._inodes.describe(entry, self._inodes.inode(entry.node))
        except UNREADABLE:
            entry.mode = entry.owner = entry.attributes = None
        super()._describe(entry, item, parent)

    def straight(self, node: int, size: int) -> int | None:
        """Return where contents lie that need no library; `None`: they do."""
        return None if self.plain is None else self.plain.straight(node, size)

    def _record_places(self, nodes: Iterable[int]) -> tuple[Iterator[int], int]:
        places = (self._inodes.place_of(node) for node in nodes)
        return (place for place in places if place is not None), self._inodes.inode_bytes

    def _own_files(self) -> Iterable[tuple[int, str]]:
        return ((_JOURNAL_INODE, say("the journal")),)

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
