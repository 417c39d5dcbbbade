"""Counting free clusters in bitmaps and FATs, a megabyte at a time and without a loop over bits.

A little-endian array of fields of `width` bits, read as one integer, is a row of lanes; Python
adds and counts whole rows at once (measured: 256 MiB of FAT32 in about a second).
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

BITS = 8
"""Bits a byte."""


def zero_bits(pieces: Iterable[bytes], bits: int) -> int | None:
    """Return how many of the first `bits` bits are 0, lowest bit of each byte first.

    `None` where the pieces end before that many bits.
    """
    free = 0
    for piece in pieces:
        if bits <= 0:
            break
        here = min(bits, len(piece) * BITS)
        row = int.from_bytes(piece, "little") & ((1 << here) - 1)
        free += here - row.bit_count()
        bits -= here
    return free if bits <= 0 else None


@lru_cache(maxsize=8)
def _lanes(value: int, width: int, lanes: int) -> int:
    """Return `value` repeated in `lanes` lanes of `width` bits."""
    row, filled = value, 1
    while filled < lanes:
        more = min(filled, lanes - filled)
        row |= (row & ((1 << (more * width)) - 1)) << (filled * width)
        filled += more
    return row


def zero_entries(piece: bytes, width: int, used_bits: int, entries: int) -> int:
    """Return how many of the first `entries` fields of `width` bits are 0 in their low bits.

    Only the low `used_bits` of each field count (FAT32 keeps four bits to itself).
    """
    row = int.from_bytes(piece, "little") & _lanes((1 << used_bits) - 1, width, entries)
    below_top = _lanes((1 << (width - 1)) - 1, width, entries)
    top = _lanes(1 << (width - 1), width, entries)
    # A lane's top bit ends up set where the lane held any bit: either it was the top bit
    # itself, or adding all ones below the top carried into it. Nothing carries out of a lane.
    nonzero = ((row & below_top) + below_top | row) & top
    return entries - nonzero.bit_count()
