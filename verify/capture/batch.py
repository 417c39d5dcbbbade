"""A batch of listed names: their rows, and what each name takes part in.

Everything that a name costs is done here, in whichever process lists it; what is left for the one
that puts a listing together is a few steps a batch.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from itertools import islice
from typing import TYPE_CHECKING

from verify.boot.collect import wanted_file, wants_nothing_below
from verify.capture.readers.task import Task
from verify.filesystem.volume import Volume
from verify.manifest.draw import LARGE_FILE_BYTES, Lottery, blocks_in_file
from verify.manifest.listing_counts import ListingCounts
from verify.manifest.row import encode_entry
from verify.manifest.segment import HOLE_BYTES, begins_segment
from verify.manifest.totals import Totals

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from verify.filesystem.entry import Entry

NAMES_A_BATCH = 256
"""Names that are listed at once, between two signs of life."""

NOTHING, SMALL_FILE, LARGE_FILE, FURTHER = range(4)
"""What reading may add to a row: nothing; the digest of a file alone, or of its blocks; more."""

HIBERNATION_FILE = "/hiberfil.sys"

_MOST_CLUSTERS = (1 << 64) - 1
_NO_PATH = "\0"


@dataclass(frozen=True, slots=True)
class Rows:
    """Entries as rows, and of each what reading is planned with, in their order.

    `lengths` of rows in bytes; `places`: first cluster; `sorts`: what reading may add; `clusters`
    of files that may have holes. `segments`: totals of runs of rows; each but the first begins a
    segment, and the first does where `begins` says so.
    """

    text: bytes
    lengths: array[int]
    places: array[int]
    nodes: array[int]
    sizes: array[int]
    sorts: bytes
    clusters: array[int]
    begins: bool
    segments: list[Totals]

    @classmethod
    def of(cls, entries: Sequence[Entry]) -> Rows:
        """Encode entries."""
        lines = [encode_entry(entry) for entry in entries]
        segments: list[Totals] = []
        for entry in entries:
            if not segments or begins_segment(entry.path):
                segments.append(Totals())
            segments[-1].add_listed(entry)
        return cls(
            b"".join(lines),
            array("I", map(len, lines)),
            array("Q", [entry.extents[0][0] if entry.extents else 0 for entry in entries]),
            array("Q", [entry.node for entry in entries]),
            array("Q", [entry.size if entry.kind == "file" else 0 for entry in entries]),
            bytes([_sort_of(entry) for entry in entries]),
            array("Q", [_clusters_of(entry) for entry in entries]),
            begins_segment(entries[0].path),
            segments,
        )


@dataclass(slots=True)
class Batch:
    """Names that were listed one after the other; each is known by its index in the batch.

    `files`: all that are files. `always`: read at every depth. `looked_at`: the machine starts
    from them. `apart`: with named streams or reparse data that are read beside what is drawn.
    `draws`: (lottery number, index) of files that are drawn whole; `places`: (byte of the volume,
    lottery number, index) of those; `blocks`: (lottery number, index, block) of the others.
    `drawable` and `drawable_blocks` count what could be drawn, also where nothing is. `folders`:
    (node, path) of those that have contents.
    """

    rows: Rows
    counts: ListingCounts
    files: list[int] = field(default_factory=list)
    always: list[int] = field(default_factory=list)
    looked_at: list[int] = field(default_factory=list)
    apart: list[int] = field(default_factory=list)
    draws: list[tuple[int, int]] = field(default_factory=list)
    places: list[tuple[int, int, int]] = field(default_factory=list)
    blocks: list[tuple[int, int, int]] = field(default_factory=list)
    folders: list[tuple[int, str]] = field(default_factory=list)
    drawable: int = 0
    drawable_blocks: int = 0


@dataclass(slots=True)
class BatchMaker:
    """Makes batches of what a volume lists, as a task wants them."""

    task: Task
    volume: Volume
    lottery: Lottery = field(init=False)
    _passed: str = _NO_PATH

    def __post_init__(self) -> None:
        """Take the task's seed."""
        self.lottery = Lottery.of(self.task.seed)

    def batches(self, entries: Iterable[Entry]) -> Iterator[Batch]:
        """Yield entries in batches of `NAMES_A_BATCH`."""
        rest = iter(entries)
        while part := list(islice(rest, NAMES_A_BATCH)):
            yield self._batch(part)

    def _batch(self, entries: list[Entry]) -> Batch:
        looked_at = self._mark_boot_files(entries)
        batch = Batch(Rows.of(entries), ListingCounts.of(entries), looked_at=looked_at)
        for index, entry in enumerate(entries):
            if entry.kind == "file":
                self._add_file(batch, entry, index)
                continue
            if entry.streams or entry.reparse:
                batch.apart.append(index)
            if entry.kind == "folder" and self.volume.is_branch(entry):
                batch.folders.append((entry.node, entry.path))
        return batch

    def _mark_boot_files(self, entries: list[Entry]) -> list[int]:
        """Mark what the machine starts from; return which entries are looked at."""
        looked_at = []
        for index, entry in enumerate(entries):
            path = entry.path
            if path.startswith(self._passed):
                continue
            wanted = wanted_file(path, self.task.kind)
            if wanted is not None:
                entry.boot = wanted.boot_set and entry.kind == "file"
            if (wanted and wanted.looked_at) or path.lower() == HIBERNATION_FILE:
                looked_at.append(index)
            if entry.kind == "folder" and wants_nothing_below(path, self.task.kind):
                self._passed = f"{path}/"
        return looked_at

    def _add_file(self, batch: Batch, entry: Entry, index: int) -> None:
        """Let a file take part in what its size makes it eligible for."""
        batch.files.append(index)
        if entry.boot:
            batch.always.append(index)
        elif entry.size <= LARGE_FILE_BYTES:
            batch.drawable += 1
            if self.task.draws_files:
                self._add_draw(batch, entry, index)
        else:
            self._add_blocks(batch, entry, index)

    def _add_draw(self, batch: Batch, entry: Entry, index: int) -> None:
        """Let a file take part in the draw of whole files, and in that of its place."""
        number = self.lottery.file(entry.path)
        batch.draws.append((number, index))
        if entry.extents and self.task.depth == "sample":
            batch.places.append((self.volume.place(*entry.extents[0]).start, number, index))

    def _add_blocks(self, batch: Batch, entry: Entry, index: int) -> None:
        """Let the blocks of a large file take part in their draw; its streams are read."""
        if entry.streams or entry.reparse:
            batch.apart.append(index)
        count = blocks_in_file(min(entry.size, self.task.size_bytes))
        batch.drawable_blocks += count
        if self.task.draws_blocks:
            numbers = (self.lottery.block(entry.path, block) for block in range(count))
            batch.blocks += [(number, index, block) for block, number in enumerate(numbers)]


def _clusters_of(entry: Entry) -> int:
    """Return how many clusters a file has that is long enough for a hole."""
    if entry.size < HOLE_BYTES:
        return 0
    return min(_MOST_CLUSTERS, sum(count for _, count in entry.extents))


def _sort_of(entry: Entry) -> int:
    if entry.streams or entry.reparse or entry.boot or entry.unhashed:
        return FURTHER
    if entry.kind != "file":
        return NOTHING
    return SMALL_FILE if entry.size <= LARGE_FILE_BYTES else LARGE_FILE
