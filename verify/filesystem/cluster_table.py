"""A FAT as a whole, and who owns each cluster: what the examinations of FAT and exFAT share."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from verify.filesystem.cluster_chain import FIRST_CLUSTER

if TYPE_CHECKING:
    from collections.abc import Iterator


MOST_CLUSTERS = 1 << 26
"""Clusters of a volume that is examined: 5 bytes each are held. 256 GiB in clusters of 4 KiB."""

_FREE, _OWNED = 0, 1


@dataclass(frozen=True, slots=True)
class Followed:
    """A chain of clusters: its runs (first cluster, count), and how it ended.

    `end`: `whole` (at an end mark), `free` (a cluster of it is marked free), `bad` (marked bad),
    `outside` (a number that is no cluster), `round` (it comes back to itself). `last`: the
    cluster, or the entry, that ended it.
    """

    runs: tuple[tuple[int, int], ...]
    end: str
    last: int

    @property
    def clusters(self) -> int:
        """How many clusters it has."""
        return sum(count for _, count in self.runs)


@dataclass(slots=True)
class ClusterTable:
    """The entries of one FAT, by cluster number; `bad` and all above `end_from` are marks."""

    entries: NDArray[np.uint32]
    bad: int
    end_from: int
    _breaks: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        """Find where each run of neighbours ends, so that a chain is followed run by run."""
        here = self.entries[:-1].astype(np.int64)
        following = np.arange(1, len(self.entries), dtype=np.int64)
        self._breaks = np.append(np.flatnonzero(here != following), len(self.entries) - 1)

    def follow(self, cluster: int, at_most: int) -> Followed:
        """Follow a chain from `cluster` for at most so many clusters (a longer one goes round)."""
        runs: list[tuple[int, int]] = []
        count, total = 0, len(self.entries)
        while True:
            if not FIRST_CLUSTER <= cluster < total:
                return Followed(tuple(runs), "outside", cluster)
            last = int(self._breaks[np.searchsorted(self._breaks, cluster)])
            runs.append((cluster, last - cluster + 1))
            count += last - cluster + 1
            entry = int(self.entries[last])
            if entry >= self.end_from:
                return Followed(tuple(runs), "whole", last)
            if entry in (0, 1) or entry == self.bad:
                return Followed(tuple(runs), "free" if entry == 0 else "bad", last)
            if count > at_most:
                return Followed(tuple(runs), "round", entry)
            cluster = entry


@dataclass(slots=True)
class ClusterOwners:
    """Which clusters have an owner, and the file (its node) of every run that was taken."""

    clusters: int
    _runs: dict[int, tuple[int, int]] = field(default_factory=dict)
    _sorted: list[int] = field(default_factory=list)
    marks: NDArray[np.uint8] = field(init=False)

    def __post_init__(self) -> None:
        """Begin with no owners at all."""
        self.marks = np.zeros(self.clusters + FIRST_CLUSTER, np.uint8)

    def take(self, start: int, count: int, node: int) -> int | None:
        """Give a run an owner; return the first cluster of it that has one already."""
        part = self.marks[start : start + count]
        taken = np.flatnonzero(part)
        part[:] = _OWNED
        self._runs.setdefault(start, (count, node))
        return start + int(taken[0]) if len(taken) else None

    def owned(self, cluster: int) -> bool:
        """Whether a cluster has an owner."""
        return bool(self.marks[cluster] != _FREE)

    def node_of(self, cluster: int) -> int | None:
        """Return the file that took a cluster."""
        if not self._sorted:
            self._sorted = sorted(self._runs)
        at = bisect_right(self._sorted, cluster) - 1
        if at < 0:
            return None
        count, node = self._runs[self._sorted[at]]
        return node if node and cluster < self._sorted[at] + count else None


def runs_of(numbers: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Yield ascending numbers as runs (first, count)."""
    if not len(numbers):
        return
    cuts = np.flatnonzero(np.diff(numbers) != 1) + 1
    for part in np.split(numbers, cuts):
        yield int(part[0]), len(part)
