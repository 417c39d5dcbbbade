"""The change that was declared before the clone: the layout that a fit worked out.

Places and sizes are in bytes, so that drives of different sectors can be held against it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredPlace:
    """Where a partition was on the old drive, and where it is to be on the new one."""

    start: int
    size: int
    was_start: int
    was_size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """The whole layout by the old drive's numbers, and the new drive it was worked out for."""

    size_bytes: int
    sector_bytes: int
    places: dict[int, DeclaredPlace]
