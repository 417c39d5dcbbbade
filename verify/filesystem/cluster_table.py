"""A FAT as a whole, and who owns each cluster: what the examinations of FAT and exFAT share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from blake3 import blake3
from numpy.typing import NDArray

from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    Numbers = NDArray[np.int64]

MOST_CLUSTERS = 1 << 26
"""Clusters of a volume that is examined: 5 bytes each are held, 4 more where a chain breaks off.
256 GiB in clusters of 4 KiB."""

MOST_RUNS = 10_000
"""Runs of clusters that are reported one by one; what is left is reported as one."""

MOST_CLUSTERS_AT_ONCE = 64
"""Clusters of a file that are taken together with those of others."""

_STEP = 1 << 22

_FREE, _OWNED = 0, 1


@dataclass(frozen=True, slots=True)
class Followed:
    """A chain of clusters: its runs (first cluster, count), and how it ended.

    `end`: `whole` (at an end mark), `free` (a cluster of it is marked free), `bad` (marked bad),
    `outside` (a number that is no cluster), `round` (it comes back to itself), `taken` (it goes on
    in a cluster that has an owner), `long` (it has more runs than were asked for). `last`: the
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
    _breaks: NDArray[np.uint32] = field(init=False)

    def __post_init__(self) -> None:
        """Find where each run of neighbours ends, so that a chain is followed run by run."""
        pieces = []
        for start in range(0, len(self.entries), _STEP):
            here = self.entries[start : start + _STEP]
            following = np.arange(start + 1, start + 1 + len(here), dtype=np.uint32)
            # A free cluster ends a run where the one before it names it; elsewhere it is in none.
            led_to = np.append(start and self.entries[start - 1], here[:-1]) == following - 1
            breaks = np.flatnonzero((here != following) & ((here != 0) | led_to)) + start
            pieces.append(breaks.astype(np.uint32))
        # The last entry ends a run, whatever it says.
        pieces.append(np.array([len(self.entries) - 1], np.uint32))
        self._breaks = np.concatenate(pieces)

    def follow(
        self, cluster: int, owners: ClusterOwners, most_runs: int = MOST_CLUSTERS
    ) -> Followed:
        """Follow a chain from `cluster` until it ends, or meets a cluster that has an owner."""
        runs: list[tuple[int, int]] = []
        total, marker, renewed = len(self.entries), -1, 1
        while len(runs) < most_runs:
            if not FIRST_CLUSTER <= cluster < total:
                return Followed(tuple(runs), "outside", cluster)
            # Brent: a place kept at each power of two is met again by a chain that goes round.
            if cluster == marker:
                return Followed(tuple(runs), "round", cluster)
            if len(runs) == renewed:
                marker, renewed = cluster, 2 * renewed
            free = not self.entries[cluster]
            last = cluster if free else self._last_of_run(cluster)
            taken = owners.first_taken(cluster, last - cluster + 1)
            if taken is not None:
                if taken > cluster:
                    runs.append((cluster, taken - cluster))
                return Followed(tuple(runs), "taken", taken)
            runs.append((cluster, last - cluster + 1))
            entry = int(self.entries[last])
            if entry >= self.end_from:
                return Followed(tuple(runs), "whole", last)
            if entry in (0, 1) or entry == self.bad:
                return Followed(tuple(runs), "free" if entry == 0 else "bad", last)
            cluster = entry
        return Followed(tuple(runs), "long", cluster)

    def _last_of_run(self, cluster: int) -> int:
        return int(self._breaks[np.searchsorted(self._breaks, np.uint32(cluster))])

    def whole_runs(self, first: Numbers, count: Numbers) -> NDArray[np.bool_]:
        """Tell of each chain whether it is one run of so many clusters, at an end mark."""
        total = len(self.entries)
        inside = (first >= FIRST_CLUSTER) & (first < total)
        begin = np.where(inside, first, 0).astype(np.uint32)
        last = self._breaks[np.searchsorted(self._breaks, begin)]
        ended = (self.entries[begin] != 0) & (self.entries[last] >= self.end_from)
        whole: NDArray[np.bool_] = inside & ended & (last - first + 1 == count)
        return whole


@dataclass(slots=True)
class ClusterOwners:
    """Which clusters have an owner, and the file (its node) of every run that was taken."""

    clusters: int
    marks: NDArray[np.uint8] = field(init=False)
    _singles: list[tuple[int, int, int]] = field(default_factory=list)
    _batches: list[NDArray[np.int64]] = field(default_factory=list)
    _sorted: NDArray[np.int64] | None = None

    def __post_init__(self) -> None:
        """Begin with no owners at all."""
        self.marks = np.zeros(self.clusters + FIRST_CLUSTER, np.uint8)

    def take(self, start: int, count: int, node: int) -> int | None:
        """Give a run an owner, up to the first cluster that has one already, which is returned."""
        taken = self.first_taken(start, count)
        if taken is not None:
            count = taken - start
        self.marks[start : start + count] = _OWNED
        self._singles.append((start, count, node))
        return taken

    def first_taken(self, start: int, count: int) -> int | None:
        """Return the first cluster of a run that has an owner."""
        part = self.marks[start : start + count]
        # NOTE: of truth values, argmax stops at the first.
        at = int(part.view(np.bool_).argmax())
        return start + at if part[at] else None

    def take_many(self, starts: Numbers, counts: Numbers, nodes: Numbers) -> bool:
        """Give many runs their owners at once, if none of their clusters has one; else nothing."""
        order = np.argsort(starts, kind="stable")
        start, count = starts[order], counts[order]
        if (start[1:] < (start + count)[:-1]).any():
            return False
        numbers = np.repeat(start - (np.cumsum(count) - count), count)
        numbers += np.arange(len(numbers))
        if self.marks[numbers].any():
            return False
        self.marks[numbers] = _OWNED
        self._batches.append(np.stack((start, count, nodes[order])))
        return True

    def owned(self, cluster: int) -> bool:
        """Whether a cluster has an owner."""
        return bool(self.marks[cluster] != _FREE)

    def node_of(self, cluster: int) -> int | None:
        """Return the file that took a cluster, the first of several; all must have theirs."""
        if self._sorted is None:
            singles = np.array(self._singles, np.int64).reshape(-1, 3).T
            runs = np.concatenate((singles, *self._batches), axis=1)
            self._sorted = runs[:, np.argsort(runs[0], kind="stable")]
        starts, counts, nodes = self._sorted
        at = int(np.searchsorted(starts, cluster, "right")) - 1
        if at < 0:
            return None
        at = int(np.searchsorted(starts, starts[at]))
        return int(nodes[at]) or None if cluster < starts[at] + counts[at] else None


def runs_of(numbers: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Yield ascending numbers as runs (first, count), as far as `MOST_RUNS`."""
    if not len(numbers):
        return
    cuts = np.flatnonzero(np.diff(numbers) != 1) + 1
    starts = numbers[np.append(0, cuts)]
    counts = np.diff(np.append(np.append(0, cuts), len(numbers)))
    for first, count in zip(starts[:MOST_RUNS], counts[:MOST_RUNS], strict=True):
        yield int(first), int(count)


def _run_in_words(first: int, last: int) -> str:
    if first == last:
        return say("cluster {cluster}", cluster=first)
    return say("clusters {first} to {last}", first=first, last=last)


def words_of(numbers: NDArray[np.int64]) -> Iterator[tuple[str, int]]:
    """Yield ascending cluster numbers as places in words, and the first cluster of each.

    Those beyond `MOST_RUNS` runs are one place, told by their count and a digest.
    """
    told = 0
    for first, count in runs_of(numbers):
        told += count
        yield _run_in_words(first, first + count - 1), first
    if told < len(numbers):
        rest = np.ascontiguousarray(numbers[told:])
        digest = blake3(rest.tobytes()).hexdigest()[:16]
        yield (
            say(
                "{count} clusters from {first} on ({digest})",
                count=len(rest),
                first=int(rest[0]),
                digest=digest,
            ),
            int(rest[0]),
        )
