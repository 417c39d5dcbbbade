"""Following a chain of clusters through a FAT of 32-bit entries, never further than asked."""

from __future__ import annotations

from dataclasses import dataclass

from verify.filesystem.careful_reading import Reader

FIRST_CLUSTER = 2
"""Clusters are counted from 2, in FAT and in exFAT."""

_CACHED_ENTRIES = 1 << 10


@dataclass(slots=True)
class Chain:
    """The FAT of a volume: where it starts, how many clusters there are, which bits count."""

    reader: Reader
    fat_offset: int
    clusters: int
    mask: int
    _first_cached: int = -1
    _cache: bytes = b""

    def runs(self, cluster: int, at_most: int) -> list[tuple[int, int]]:
        """Return the chain from `cluster` as runs (first cluster, count), in order.

        Ends at the end mark, at a number that is no cluster, at an entry that cannot be read
        (noted), or after `at_most` clusters: a chain that bites its tail ends there as well.
        """
        runs: list[tuple[int, int]] = []
        followed = 0
        while FIRST_CLUSTER <= cluster < self.clusters + FIRST_CLUSTER and followed < at_most:
            if runs and sum(runs[-1]) == cluster:
                runs[-1] = (runs[-1][0], runs[-1][1] + 1)
            else:
                runs.append((cluster, 1))
            followed += 1
            if followed < at_most:
                cluster = self._next(cluster)
        return runs

    def _next(self, cluster: int) -> int:
        """Return the entry of a cluster, or 0 where it cannot be read."""
        first = cluster - cluster % _CACHED_ENTRIES
        if first != self._first_cached:
            entries = min(_CACHED_ENTRIES, self.clusters + FIRST_CLUSTER - first)
            data = self.reader.read(self.fat_offset + first * 4, entries * 4, "cluster chain")
            if data is None:
                return 0
            self._first_cached, self._cache = first, data
        at = (cluster - first) * 4
        return int.from_bytes(self._cache[at : at + 4], "little") & self.mask
