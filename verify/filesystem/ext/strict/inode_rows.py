"""Inodes as columns: the fields of many at once, and the words for their kinds and flags."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from verify.filesystem.ext.strict.mapping import Node
from verify.structs.ext import INODE

if TYPE_CHECKING:
    Numbers = npt.NDArray[np.int64]

FORMAT = 0o170000
REGULAR, DIRECTORY, LINK = 0o100000, 0o040000, 0o120000
KINDS = {REGULAR: 1, DIRECTORY: 2, 0o020000: 3, 0o060000: 4, 0o010000: 5, 0o140000: 6, LINK: 7}
"""Kinds by mode, and the number a folder's entry has for each (directory.rst)."""

INDEX, HUGE_FILE, EXTENTS, VERITY, EA_INODE = 0x1000, 0x40000, 0x80000, 0x100000, 0x200000
ENCRYPT, INLINE, CASEFOLD = 0x800, 0x10000000, 0x40000000
"""Flags (inodes.rst, i_flags)."""

AREA = slice(0x28, 0x64)
"""Block numbers, extent tree, short link or inline data."""


@dataclass(slots=True)
class Rows:
    """Some inodes: their numbers and bytes, and fields of 32 bits or less as columns."""

    numbers: Numbers
    stored: npt.NDArray[np.uint8]
    size: int
    offsets: Numbers = field(default_factory=lambda: np.zeros(0, np.int64))

    @classmethod
    def of(cls, data: bytes, size: int, first: int) -> Rows:
        """Take a stretch of an inode table apart; `first` is the number of its first inode."""
        count = len(data) // size
        rows = np.frombuffer(data, np.uint8)[: count * size].reshape(count, size)
        return cls(first + np.arange(count, dtype=np.int64), rows, size)

    def __len__(self) -> int:
        """How many inodes."""
        return len(self.numbers)

    def take(self, at: Numbers) -> Rows:
        """Return some of them."""
        return Rows(self.numbers[at], self.stored[at], self.size)

    def _column(self, name: str) -> Numbers:
        item = next(item for item in INODE.fields if item.name == name)
        width = 2 if item.code == "H" else 4
        part = np.ascontiguousarray(self.stored[:, item.offset : item.offset + width])
        return part.view(f"<u{width}").ravel().astype(np.int64)

    @property
    def mode(self) -> Numbers:
        """Kind and rights."""
        return self._column("mode")

    @property
    def links(self) -> Numbers:
        """Names that it says it has."""
        return self._column("links_count")

    @property
    def flags(self) -> Numbers:
        """Flags."""
        return self._column("flags")

    @property
    def accessed(self) -> Numbers:
        """When it was last read; of an attribute's value its hash."""
        return self._column("atime")

    @property
    def dtime(self) -> Numbers:
        """When it was deleted."""
        return self._column("dtime")

    @property
    def size_high(self) -> Numbers:
        """The upper half of the size."""
        return self._column("size_high")

    @property
    def sizes(self) -> Numbers:
        """Bytes, as a signed number of 64 bits."""
        return self._column("size_lo") | self.size_high << 32

    @property
    def generation(self) -> Numbers:
        """How often the number was used."""
        return self._column("generation")

    @property
    def attribute_block(self) -> Numbers:
        """Block of extended attributes, or 0."""
        return self._column("file_acl_lo") | self._column("file_acl_high") << 32

    @property
    def held(self) -> Numbers:
        """The count of blocks or sectors that it says it holds."""
        return self._column("blocks_lo") | self._column("blocks_high") << 32

    @property
    def extra(self) -> Numbers:
        """Bytes of fields behind the first 128."""
        if self.size == INODE.size:
            return np.zeros(len(self), dtype=np.int64)
        return np.ascontiguousarray(self.stored[:, 0x80:0x82]).view("<u2").ravel().astype(np.int64)

    @property
    def areas(self) -> npt.NDArray[np.uint8]:
        """The 60 bytes of every inode that say where its contents are."""
        return np.ascontiguousarray(self.stored[:, AREA])

    def node(self, at: int) -> Node:
        """Return what the mapping of one inode needs."""
        own = self.stored[at]
        flags = int.from_bytes(own[0x20:0x24].tobytes(), "little")
        generation = int.from_bytes(own[0x64:0x68].tobytes(), "little")
        area = own[AREA].tobytes()
        return Node(int(self.numbers[at]), generation, area, flags)
