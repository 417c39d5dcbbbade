"""Which files and blocks a sample reads: those whose keyed hash of their path is lowest.

Two captures that know nothing of each other draw the same, as long as they share the seed: the
hash of a path is the same on the source and on its clone, and a name that only one side has
changes nothing about the others. Over a secret-free but arbitrary seed the hash acts as a fair
lottery number, so the lowest n are a uniform draw without replacement.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from blake3 import blake3

DEFAULT_SEED = "drivewitness sample 1"
"""Used where no seed is given, so that captures made apart draw the same files."""

LARGE_FILE_BYTES = 8 << 20
"""Files above this are not drawn whole: blocks of them are."""

BLOCK_BYTES = 1 << 20
"""The size of a block of a partition without a readable filesystem."""

FILE_BLOCK_BYTES = 256 << 10
"""The size of a block of a large file: a head is longer on its way to one than it reads."""

HIGHEST_KEY = (1 << 64) - 1
"""The threshold of a draw that took everything."""

STRETCH_BYTES = 1 << 30
"""Of each stretch of a partition as long as this a file is read for where it lies.

A drive whose flash is less than it says gives back, beyond what it has, nothing or what belongs
elsewhere. A sample of files seldom leaves out so much; that it never does is what this is for.
"""

RAW = ""
"""Stands for the path where blocks belong to a partition and not to a file."""

Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Lottery:
    """Lottery numbers (64 bits) from keyed BLAKE3."""

    key: bytes

    @classmethod
    def of(cls, seed: str) -> Lottery:
        """Return the lottery of a seed, which may be any text."""
        return cls(blake3(seed.encode("utf-8", "surrogatepass")).digest())

    def file(self, path: str) -> int:
        """Return a file's number."""
        return self._number(b"file\0" + path.encode("utf-8", "surrogatepass"))

    def block(self, path: str, index: int) -> int:
        """Return the number of one block of a file, or of a raw partition (`RAW`)."""
        name = path.encode("utf-8", "surrogatepass")
        return self._number(b"block\0" + index.to_bytes(8, "big") + name)

    def _number(self, data: bytes) -> int:
        return int.from_bytes(blake3(data, key=self.key).digest(length=8), "big")


@dataclass(slots=True)
class Lowest(Generic[Item]):
    """Keeps the `most` items with the lowest numbers out of all that are offered."""

    most: int
    offered: int = 0
    _heap: list[tuple[int, Item]] = field(default_factory=list)

    def offer(self, number: int, item: Item) -> None:
        """Take part in the draw."""
        self.offered += 1
        if len(self._heap) < self.most:
            heapq.heappush(self._heap, (-number, item))
        elif self._heap and number < -self._heap[0][0]:
            heapq.heapreplace(self._heap, (-number, item))

    @property
    def items(self) -> list[Item]:
        """What was drawn, in no order."""
        return [item for _, item in self._heap]

    @property
    def threshold(self) -> int:
        """The highest number that was drawn; `HIGHEST_KEY` where everything was."""
        if self.offered <= self.most:
            return HIGHEST_KEY
        return -self._heap[0][0] if self._heap else -1


@dataclass(slots=True)
class LowestByPlace(Generic[Item]):
    """Keeps, of each stretch of a partition, the item with the lowest number that begins there."""

    _lowest: dict[int, tuple[int, Item]] = field(default_factory=dict)

    def offer(self, place: int, number: int, item: Item) -> None:
        """Take part for the stretch that byte `place` of the partition lies in."""
        stretch = place // STRETCH_BYTES
        known = self._lowest.get(stretch)
        if known is None or number < known[0]:
            self._lowest[stretch] = number, item

    @property
    def items(self) -> list[Item]:
        """One item of each stretch in which one begins."""
        return [item for _, item in self._lowest.values()]


def blocks_in(size_bytes: int, block_bytes: int = BLOCK_BYTES) -> int:
    """Return how many blocks of `block_bytes` cover `size_bytes`."""
    return -(-size_bytes // block_bytes)


def blocks_in_file(size_bytes: int) -> int:
    """Return how many blocks cover a large file."""
    return blocks_in(size_bytes, FILE_BLOCK_BYTES)
