"""Names and entries of an ext volume, as far as they are plain; the rest is left to the library.

A plain inode places its contents by up to four extents or twelve blocks, or is a short link.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.entry import Entry, Kind
from verify.filesystem.ext.folder_names import DAMAGED, TWICE, DamagedFolderError, names_in
from verify.filesystem.ext.inodes import ENCRYPTED, EXTENTS, FORMAT, INLINE, ExtInodes, Inode
from verify.filesystem.ext.runs import NotPlainError, Run, RunWalk, runs_in_inode

_REGULAR, _FOLDER, _LINK = 0x8000, 0x4000, 0xA000
_KINDS: dict[int, Kind] = {
    _REGULAR: "file",
    _FOLDER: "folder",
    _LINK: "link",
    **dict.fromkeys((0x1000, 0x2000, 0x6000, 0xC000), "other"),
}
"""By mode: pipes, devices and sockets are `other` (inodes.rst, i_mode)."""

_SHORT_LINK_BYTES = 60
_LARGEST = 1 << 63
_MOST_FOLDER_BYTES = 1 << 30
_STEP_BYTES = 1 << 20


@dataclass(slots=True)
class ExtEntries:
    """The entries of one volume."""

    inodes: ExtInodes
    block_bytes: int = field(init=False)
    blocks: int = field(init=False)
    _walk: RunWalk = field(init=False)

    def __post_init__(self) -> None:
        """Take the volume's shape from its superblock."""
        self.block_bytes, self.blocks = self.inodes.groups.block_bytes, self.inodes.groups.blocks
        self._walk = RunWalk(self.inodes.window, self.block_bytes, self.blocks)

    def entry(self, path: str, number: int) -> Entry | None:
        """Return the entry of a name; `None`: ask the library."""
        try:
            inode = self.inodes.inode(number)
            entry = self._plain(path, number, inode)
            self.inodes.describe(entry, inode)
        except (NotPlainError, struct.error, *UNREADABLE):
            return None
        return entry

    def _plain(self, path: str, number: int, inode: Inode) -> Entry:
        kind = _KINDS.get(inode.mode & FORMAT)
        if kind is None or not inode.links_count or inode.flags & (ENCRYPTED | INLINE):
            raise NotPlainError
        entry = Entry(kind, path, inode.size_lo, node=number, links=inode.links_count)
        if kind == "file":
            entry.size |= inode.size_high << 32
            runs = self._runs(inode, entry.size)
            entry.extents = [(place, count) for _, place, count in runs]
        elif kind == "folder":
            entry.size = 0
        elif kind == "link":
            if entry.size >= _SHORT_LINK_BYTES or inode.flags & EXTENTS:
                raise NotPlainError
            entry.target = inode.block[: entry.size].decode("utf-8", "surrogateescape")
        return entry

    def _runs(self, inode: Inode, size: int) -> list[Run]:
        if size >= _LARGEST:
            raise NotPlainError
        extents, blocks = bool(inode.flags & EXTENTS), -(-size // self.block_bytes)
        runs = runs_in_inode(inode.block, extents=extents, blocks=blocks)
        for _, place, count in runs:
            if not 0 < place <= place + count <= self.blocks:
                raise NotPlainError
        return runs

    def straight(self, number: int, size: int) -> int | None:
        """Return the byte of the volume where all of a file lies; `None`: ask the library."""
        try:
            inode = self.inodes.inode(number)
            if inode.mode & FORMAT != _REGULAR or inode.flags & (ENCRYPTED | INLINE):
                return None
            runs = self._runs(inode, size)
        except (NotPlainError, struct.error, *UNREADABLE):
            return None
        first, place, count = runs[0] if len(runs) == 1 else (0, 0, 0)
        whole = not first and count * self.block_bytes >= size
        same = inode.size_lo | inode.size_high << 32 == size
        return place * self.block_bytes if whole and same else None

    def names(self, number: int) -> list[tuple[int, bytes, int]]:
        """Return (inode, name, kind) of all that a folder names but `.` and `..`.

        Raises:
            NotPlainError: they stand in the inode, are encrypted, or are no folder's.
            DamagedFolderError: the folder is not whole.
        """
        try:
            inode = self.inodes.inode(number)
            size = inode.size_lo | inode.size_high << 32
            if inode.mode & FORMAT != _FOLDER or inode.flags & (ENCRYPTED | INLINE):
                raise NotPlainError
            if not size or size % self.block_bytes or size > _MOST_FOLDER_BYTES:
                raise DamagedFolderError(DAMAGED)
            blocks = self._blocks(inode, size // self.block_bytes)
        except (struct.error, *UNREADABLE) as error:
            raise DamagedFolderError(DAMAGED) from error
        found: list[tuple[int, bytes, int]] = []
        for at, block in enumerate(blocks):
            found += names_in(block, None if at else number)
        if len({name for _, name, _ in found}) != len(found):
            raise DamagedFolderError(TWICE)
        return found

    def _blocks(self, inode: Inode, count: int) -> list[bytes]:
        """Read all blocks of a folder, which has no holes."""
        window, size = self.inodes.window, self.block_bytes
        blocks: list[bytes] = []
        try:
            for run in self._walk.runs(inode.block, extents=bool(inode.flags & EXTENTS)):
                place, here = self._placed(run, len(blocks), count)
                for first in range(0, here * size, _STEP_BYTES):
                    data = window.read(place * size + first, min(_STEP_BYTES, here * size - first))
                    blocks += [data[at : at + size] for at in range(0, len(data), size)]
        except NotPlainError as error:
            raise DamagedFolderError(DAMAGED) from error
        if len(blocks) != count:
            raise DamagedFolderError(DAMAGED)
        return blocks

    def _placed(self, run: Run, known: int, count: int) -> tuple[int, int]:
        first, place, here = run
        if first != known or not 0 < place <= place + here <= self.blocks:
            raise NotPlainError
        return place, min(here, count - known)
