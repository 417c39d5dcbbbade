"""A file that is held against its format, read in steps."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from verify.units import MIB

STEP_BYTES = MIB
"""The most bytes that are asked for at once."""

Read = Callable[[int, int], bytes]
"""Gives the bytes of a file at an offset and of a length."""


@dataclass(frozen=True, slots=True)
class FormReading:
    """The bytes of one file of `size_bytes`."""

    read: Read
    size_bytes: int

    def part(self, offset: int, length: int) -> bytes:
        """Return the bytes of a range, as far as the file has them."""
        return b"".join(self.steps(offset, length))

    def steps(self, offset: int, length: int) -> Iterator[bytes]:
        """Yield the bytes of a range in steps, as far as the file has them."""
        end = min(offset + length, self.size_bytes)
        for at in range(offset, end, STEP_BYTES):
            yield self.read(at, min(STEP_BYTES, end - at))


def hex_of(number: int) -> str:
    """Return a number of 32 bits as eight hex digits."""
    return f"{number:08X}"
