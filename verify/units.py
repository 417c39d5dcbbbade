"""Sectors and bytes as types, and how sizes are said to people.

Ranges are half-open inside the program; an inclusive on-disk field keeps its standard's name
(`ending_lba`) and is converted once, where it is read.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NewType

from verify.text.message import Message, say

Lba = NewType("Lba", int)
"""A logical block address: which sector, counted from 0 at the start of the drive."""

KIB = 1 << 10
MIB = 1 << 20
GIB = 1 << 30

_DECIMAL = ("B", "kB", "MB", "GB", "TB", "PB")
_BINARY = ("B", "KiB", "MiB", "GiB", "TiB", "PiB")


def _scaled(count: float, step: int, units: tuple[str, ...]) -> Message:
    for unit in units[:-1]:
        if abs(count) < step:
            form = "{count:.0f} {unit}" if unit == "B" else "{count:.2f} {unit}"
            return say(form, count=count, unit=unit)
        count /= step
    return say("{count:.2f} {unit}", count=count, unit=units[-1])


def decimal_size(count: int) -> Message:
    """Say a number of bytes as drives are sold, in powers of 1,000: `500.11 GB`."""
    return _scaled(float(count), 1000, _DECIMAL)


def binary_size(count: int) -> Message:
    """Say a number of bytes as systems show it, in powers of 1,024: `465.76 GiB`."""
    return _scaled(float(count), 1024, _BINARY)


def align_up(value: int, step: int) -> int:
    """Return the least multiple of `step` that is not below `value`; `step` > 0."""
    return -(-value // step) * step


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def moment_of(seconds: int) -> datetime:
    """Return the moment that many seconds after 1970 began (UTC), or before.

    By the calendar alone: Windows' own functions know no moment before 1970 or after the year 3000.

    Raises:
        OverflowError: no calendar has it (years 1 to 9999).
    """
    return _EPOCH + timedelta(seconds=seconds)
