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
        # NOTE: a block is looked into only where its first byte is zero: of data few are, and to
        # take every 4,096th byte costs next to nothing beside a hash.
        first = data[::ZERO_BLOCK_BYTES]
        whole = len(data) // ZERO_BLOCK_BYTES
        at = first.find(0)
        while 0 <= at < whole:
            self.blocks += data.startswith(_ZEROS, at * ZERO_BLOCK_BYTES)
            at = first.find(0, at + 1)
        if at >= 0:
            rest = data[whole * ZERO_BLOCK_BYTES :]
            self.tail = rest == _ZEROS[: len(rest)]
