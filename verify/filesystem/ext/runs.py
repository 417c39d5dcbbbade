"""Where an ext inode says that its contents lie, for listing: nothing is judged here.

`strict/mapping.py` examines the same trees and says what is wrong with them. What is not plain
raises here, and is left to the library.

Source: Linux fs/ext4/extents.c, indirect.c; Documentation/filesystems/ext4/ifork.rst.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.source.window import Window
from verify.structs.ext import EXTENT, EXTENT_HEADER, EXTENT_INDEX, EXTENT_MAGIC, LONGEST_EXTENT

if TYPE_CHECKING:
    from collections.abc import Iterator

_header = EXTENT_HEADER.packed("magic", "entries", "max", "depth").unpack_from
_extent = EXTENT.packed("block", "len", "start_hi", "start_lo").unpack_from
_index = EXTENT_INDEX.packed("block", "leaf_lo", "leaf_hi").unpack_from
_pointers = struct.Struct("<15I").unpack

_DEEPEST = 5
_ENTRY_BYTES, _IN_INODE = EXTENT.size, 4
_DIRECT, _LEVELS = 12, 3


class NotPlainError(Exception):
    """An inode that is left to the library."""


Run = tuple[int, int, int]
"""Block of the file, block of the volume, count."""


def runs_in_inode(area: bytes, *, extents: bool, blocks: int) -> list[Run]:
    """Return the runs of contents that the inode alone places.

    `area`: its 60 bytes; `blocks`: how many the contents need by their size, of a block list.

    Raises:
        NotPlainError: there is a tree or a list below it, or blocks that were never written.
    """
    if extents:
        return _leaf(area, _IN_INODE)
    pointers = _pointers(area)
    if blocks > _DIRECT or any(pointers[blocks:]):
        raise NotPlainError
    return _joined(pointers[:blocks], 0)


def _leaf(data: bytes, most: int) -> list[Run]:
    magic, entries, room, depth = _header(data)
    if magic != EXTENT_MAGIC or depth or entries > min(most, room):
        raise NotPlainError
    found: list[Run] = []
    end = 0
    for at in range(_ENTRY_BYTES, (entries + 1) * _ENTRY_BYTES, _ENTRY_BYTES):
        first, count, high, low = _extent(data, at)
        if count > LONGEST_EXTENT or not count or first < end:
            raise NotPlainError
        found.append((first, high << 32 | low, count))
        end = first + count
    return found


def _joined(pointers: tuple[int, ...], first: int) -> list[Run]:
    """Return block pointers as runs, holes left out."""
    found: list[Run] = []
    for number, place in enumerate(pointers, first):
        if not place:
            continue
        if found:
            start, before, count = found[-1]
            if (start + count, before + count) == (number, place):
                found[-1] = start, before, count + 1
                continue
        found.append((number, place, 1))
    return found


@dataclass(slots=True)
class RunWalk:
    """All runs of an inode; `blocks`: of the volume, `block_bytes`: of each."""

    window: Window
    block_bytes: int
    blocks: int

    def runs(self, area: bytes, *, extents: bool) -> Iterator[Run]:
        """Yield all runs in the order of the file.

        Raises:
            NotPlainError: a part of the tree is damaged, or not yet written.
            PastEnd, SourceUnreadable: it cannot be read.
        """
        if extents:
            depth = _header(area)[3]
            if depth > _DEEPEST:
                raise NotPlainError
            yield from self._tree(area, depth, _IN_INODE)
            return
        pointers = _pointers(area)
        yield from _joined(pointers[:_DIRECT], 0)
        first, each = _DIRECT, self.block_bytes // 4
        for level in range(1, _LEVELS + 1):
            yield from self._list(pointers[_DIRECT + level - 1], level, first)
            first += each**level

    def _tree(self, data: bytes, depth: int, most: int) -> Iterator[Run]:
        if not depth:
            yield from _leaf(data, most)
            return
        magic, entries, room, level = _header(data)
        if magic != EXTENT_MAGIC or level != depth or entries > min(most, room):
            raise NotPlainError
        below = self.block_bytes // _ENTRY_BYTES - 1
        for at in range(_ENTRY_BYTES, (entries + 1) * _ENTRY_BYTES, _ENTRY_BYTES):
            _, low, high = _index(data, at)
            yield from self._tree(self._block(high << 32 | low), depth - 1, below)

    def _list(self, block: int, level: int, first: int) -> Iterator[Run]:
        if not block:
            return
        count = self.block_bytes // 4
        pointers = struct.unpack(f"<{count}I", self._block(block))
        if level == 1:
            yield from _joined(pointers, first)
            return
        for number, place in enumerate(pointers):
            yield from self._list(place, level - 1, first + number * count ** (level - 1))

    def _block(self, number: int) -> bytes:
        if not 0 < number < self.blocks:
            raise NotPlainError
        return self.window.read(number * self.block_bytes, self.block_bytes)
