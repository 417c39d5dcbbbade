"""Counting the zero blocks of what is read: a file whose contents were lost is full of them."""

from __future__ import annotations

from dataclasses import dataclass

ZERO_BLOCK_BYTES = 4096
"""What filesystems read and write at once, and what a failed read becomes zeros of."""

_ZEROS = bytes(ZERO_BLOCK_BYTES)


@dataclass(slots=True)
class Zeros:
    """The zero blocks seen so far: whole ones, and whether the last, shorter one is zero."""

    blocks: int = 0
    tail: bool = False

    def see(self, data: bytes) -> None:
        """Count the blocks of the next bytes; all but the last must be whole blocks."""
        # NOTE: a block that does not begin with a zero is passed by: nearly all do not, and taking
        # every 4,096th byte costs next to nothing beside a hash.
        first = data[::ZERO_BLOCK_BYTES]
        at = first.find(0)
        while at >= 0:
            start = at * ZERO_BLOCK_BYTES
            block = data[start : start + ZERO_BLOCK_BYTES]
            if len(block) == ZERO_BLOCK_BYTES:
                self.blocks += block == _ZEROS
            else:
                self.tail = block == _ZEROS[: len(block)]
            at = first.find(0, at + 1)
