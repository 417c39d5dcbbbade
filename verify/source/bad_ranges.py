"""Byte ranges of a drive that cannot be read, in order, neighbours joined."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


@dataclass(slots=True)
class BadRanges:
    """Half-open ranges; looking one up takes the logarithm of how many there are."""

    _starts: list[int] = field(default_factory=list)
    _ends: list[int] = field(default_factory=list)

    def __len__(self) -> int:
        """How many areas there are, neighbours counted as one."""
        return len(self._starts)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        """Yield each range as (start, end)."""
        return iter(zip(self._starts, self._ends, strict=True))

    @classmethod
    def of(cls, ranges: Iterable[tuple[int, int]]) -> BadRanges:
        """Return ranges given as (start, length)."""
        found = cls()
        for start, length in sorted(ranges):
            found.add(start, start + length)
        return found

    def add(self, start: int, end: int) -> None:
        """Add a range, joined with whatever it overlaps or touches."""
        first, last = bisect_left(self._ends, start), bisect_right(self._starts, end)
        if first < last:
            start, end = min(start, self._starts[first]), max(end, self._ends[last - 1])
        self._starts[first:last] = [start]
        self._ends[first:last] = [end]

    def first_in(self, start: int, end: int) -> tuple[int, int] | None:
        """Return the first range (start, end) that overlaps `start`..`end`."""
        at = bisect_right(self._ends, start)
        if start < end and at < len(self._starts) and self._starts[at] < end:
            return self._starts[at], self._ends[at]
        return None

    def parts_of(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """Yield what of `start`..`end` is bad, each as (start, end)."""
        while (bad := self.first_in(start, end)) is not None:
            yield max(start, bad[0]), min(end, bad[1])
            start = bad[1]

    def ends_at(self, offset: int) -> bool:
        """Whether a range ends right before byte `offset`."""
        at = bisect_left(self._ends, offset)
        return at < len(self._ends) and self._ends[at] == offset
