"""Reads of devices that take whole sectors only, for whatever bytes are asked of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


def read_whole_sectors(
    read: Callable[[int, int], bytes], *, step: int, size_bytes: int, length: int, offset: int
) -> bytes:
    """Return up to `length` bytes from byte `offset`; fewer at the end, none behind it.

    Args:
        read: returns up to so many bytes from a place; it gets multiples of `step`, but for an end
            at the device's own.
        step: bytes of a sector, or a multiple of that.
        size_bytes: of the device.
        length: bytes that are wanted.
        offset: where they begin.

    Raises:
        OSError: they cannot be read.
    """
    if offset >= size_bytes or not length:
        return b""
    first = offset - offset % step
    end = min(-(-(offset + length) // step) * step, size_bytes)
    return read(end - first, first)[offset - first : offset - first + length]
