"""Where on each drive the files lie that differ: ranges of sectors, and never a name."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

from verify.manifest.header import SectorRange
from verify.matching.level import Level
from verify.rules.comparison_document import PlacesRow

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from verify.filesystem.entry import Entry
    from verify.manifest.header import Header, Partition
    from verify.matching.pair_contents import Difference, PairContents, Sorted
    from verify.rules.rule import Case

MOST_RANGES = 400
"""Ranges told of one sort, partition and drive: more than a picture can show apart."""


@dataclass(slots=True)
class _Found:
    files: int = 0
    bytes: int = 0
    placed: int = 0
    runs: list[tuple[int, int]] = field(default_factory=list)

    def add(self, entry: Entry, cluster_bytes: int) -> None:
        self.files += 1
        self.bytes += entry.size
        self.placed += bool(entry.extents and cluster_bytes)
        for first, count in entry.extents if cluster_bytes else ():
            self.runs.append((first * cluster_bytes, (first + count) * cluster_bytes))


def places(case: Case) -> Iterator[PlacesRow]:
    """Yield where files lie that are missing on the target or differ there, by pair and drive."""
    for pair in case.pairs:
        found = case.contents.pairs.get(pair.number)
        if found is None or found.raw:
            continue
        if pair.source:
            missing = _serious(found.missing)
            yield from _row("source", "missing", case.source, pair.source, _old(missing))
            yield from _row("source", "changed", case.source, pair.source, _old(_changed(found)))
        if pair.target:
            yield from _row("target", "changed", case.target, pair.target, _new(_changed(found)))


def _changed(found: PairContents) -> Iterator[Difference]:
    yield from _serious(found.resized)
    yield from _serious(found.changed)


def _serious(differences: Sorted) -> Iterator[Difference]:
    """Yield what a person should look at; notes and expected changes are left out."""
    for meaning, bag in differences.told().items():
        if meaning.level is not Level.NOTE:
            yield from bag.kept


def _old(items: Iterable[Difference]) -> Iterator[Entry]:
    return (item.source for item in items if item.source and item.source.kind == "file")


def _new(items: Iterable[Difference]) -> Iterator[Entry]:
    return (item.target for item in items if item.target and item.target.kind == "file")


def _row(
    side: str, what: str, header: Header, partition: Partition, entries: Iterable[Entry]
) -> Iterator[PlacesRow]:
    filesystem = partition.filesystem
    # NOTE: where clusters are counted from elsewhere, no place is reported.
    cluster = (filesystem.cluster_bytes or 0) if filesystem.traits.from_start else 0
    found = _Found()
    for entry in entries:
        found.add(entry, cluster)
    if not found.files:
        return
    start = partition.start_lba * header.table.sector_bytes
    step = header.drive.sector_bytes
    yield PlacesRow(
        side=side,
        partition=partition.number,
        what=what,
        files=found.files,
        bytes=found.bytes,
        placed=found.placed,
        ranges=tuple(
            SectorRange(
                start_lba=(start + first) // step,
                sectors=-(-(start + end) // step) - (start + first) // step,
            )
            for first, end in joined(found.runs, MOST_RANGES)
        ),
    )


def joined(runs: Sequence[tuple[int, int]], most: int) -> list[tuple[int, int]]:
    """Return half-open runs in order, those that touch as one; at most `most`, the nearest joined.

    `most` >= 1. A run that was joined over a gap covers that gap as well.
    """
    whole: list[tuple[int, int]] = []
    for first, end in sorted(runs):
        if whole and first <= whole[-1][1]:
            whole[-1] = whole[-1][0], max(whole[-1][1], end)
        else:
            whole.append((first, end))
    if len(whole) <= most:
        return whole
    gaps = [after[0] - before[1] for before, after in pairwise(whole)]
    widest = sorted(range(len(gaps)), key=lambda index: -gaps[index])[: most - 1]
    cuts = [0, *(index + 1 for index in sorted(widest)), len(whole)]
    return [(whole[first][0], whole[end - 1][1]) for first, end in pairwise(cuts)]
