"""Follows and reads the clusters of an exFAT volume, notes their owners, and reports faults."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import ClusterOwners, ClusterTable
from verify.filesystem.examination import Effect, Fault, Recorder
from verify.filesystem.exfat.plain_folders import ENTRY
from verify.source.window import Window
from verify.structs.base import Record
from verify.text.message import say, worded

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

Runs = tuple[tuple[int, int], ...]
"""Clusters that follow each other: the first, and how many."""

ROOT = say("root folder")

LARGEST_FOLDER_BYTES = 256 << 20
"""Section 7.4: a folder is at most 256 MB long."""


@dataclass(frozen=True, slots=True)
class At:
    """A primary entry: in which folder (by name), as which, at which byte."""

    folder: str
    position: int
    offset: int

    @property
    def place(self) -> str:
        """The entry in words."""
        return say("{folder}, entry {position}", folder=self.folder, position=self.position)


@dataclass(frozen=True, slots=True)
class Clusters:
    """What the parts of an examination share: the volume, its FAT, its owners, both records."""

    window: Window
    boot: Record
    table: ClusterTable
    owners: ClusterOwners
    structure: Recorder
    allocation: Recorder

    @property
    def cluster_bytes(self) -> int:
        """Bytes a cluster."""
        boot = self.boot
        return 1 << (boot.number("BytesPerSectorShift") + boot.number("SectorsPerClusterShift"))

    def run(self, first: int, count: int, at: At) -> Runs:
        """Return the clusters of contents that lie in one piece, whatever the FAT says of them."""
        most = len(self.owners.marks)
        if first < FIRST_CLUSTER or first + count > most:
            self.fault(
                at, Effect.LOST, say("stream extension"), "FirstCluster", first,
                say("{count} clusters from there, {most} at the most", count=count, most=most),
            )  # fmt: skip
            return ()
        taken = self.take(((first, count),), at)
        if taken is not None:
            self.tell_taken(taken - first + 1, at)
        return ((first, count),)

    def chain(
        self, first: int, needed: int | None, at: At, what: str, effect: Effect = Effect.LOST
    ) -> Runs:
        """Follow a chain in the FAT; `needed`: how many clusters it has to have."""
        chain = self.table.follow(first, self.owners)
        self.take(chain.runs, at)
        if chain.end == "taken":
            self.tell_taken(chain.clusters + 1, at)
            return chain.runs
        words = {
            "free": say("its cluster number {number} has no entry", number=chain.clusters),
            "bad": say("its cluster number {number} is marked bad", number=chain.clusters),
            "outside": say(
                "continues at {cluster}, which is not a valid cluster", cluster=chain.last
            ),
            "round": say("comes back to itself"),
        }
        if chain.end in words:
            self.fault(
                at,
                effect,
                say("cluster chain of a {what}", what=what),
                say("end"),
                words[chain.end],
                say("whole"),
            )
        elif needed is not None and chain.clusters != needed:
            self.fault(
                at,
                effect if chain.clusters < needed else Effect.REPAIRED,
                say("cluster chain of a {what}", what=what),
                say("length"),
                say("{count} clusters", count=chain.clusters),
                str(needed),
            )
        return chain.runs

    def take(self, runs: Runs, at: At) -> int | None:
        """Give runs their owner; return the first cluster that has one already."""
        taken = None
        for start, count in runs:
            self.allocation.compared(count)
            already = self.owners.take(start, count, at.offset)
            taken = already if taken is None else taken
        return taken

    def tell_taken(self, number: int, at: At) -> None:
        """Record that a cluster, by its number in the file, has another owner already."""
        self.fault(
            at,
            Effect.OVERWRITTEN,
            say("clusters"),
            say("owners"),
            say("its cluster number {number} is another's too", number=number),
            say("one"),
            self.allocation,
        )

    def read(self, runs: Runs, length: int) -> tuple[bytes, NDArray[np.int64]]:
        """Return a folder's entries, as far as a folder may be long, and where each stands."""
        left, data, offsets = min(length, LARGEST_FOLDER_BYTES), [], []
        try:
            for offset, size in self.located(runs):
                data.append(self.window.read(offset, min(size, left) // ENTRY * ENTRY))
                offsets.append(np.arange(offset, offset + len(data[-1]), ENTRY))
                left -= size
                if left <= 0:
                    break
        except UNREADABLE as error:
            for half in (self.structure, self.allocation):
                half.leave_out(say("a folder: {reason:clause}", reason=str(error)))
        return b"".join(data), np.concatenate((np.zeros(0, np.int64), *offsets))

    def located(self, runs: Runs) -> Iterator[tuple[int, int]]:
        """Yield where each run begins, and how long it is, in bytes."""
        heap = self.boot.number("ClusterHeapOffset") << self.boot.number("BytesPerSectorShift")
        for first, count in runs:
            start = heap + (first - FIRST_CLUSTER) * self.cluster_bytes
            yield start, count * self.cluster_bytes

    def fault(  # noqa: PLR0913, PLR0917 - a fault has that many sides
        self,
        at: At,
        effect: Effect,
        structure: str,
        what: str,
        stored: object,
        expected: str,
        half: Recorder | None = None,
    ) -> None:
        """Record a fault of an entry, in the structures' half if no other is given."""
        (half or self.structure).fault(
            Fault(
                effect=effect,
                structure=structure,
                place=at.place,
                field=what,
                stored=worded(stored),
                expected=expected,
                offset=at.offset or None,
                node=at.offset or None,
            )
        )
