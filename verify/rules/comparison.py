"""What became of every file: the two listings merged once, for all rules of the contents.

The merge itself fills this in; rules only read it. Lists are bounded, counts are not.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

from verify.filesystem.entry import Entry

KEPT_DIFFERENCES = 10_000
"""Differences of one sort kept whole, a partition; beyond it only their number is."""


@dataclass(slots=True)
class Difference:
    """One path that differs; an absent side is `None`."""

    path: str
    source: Entry | None
    target: Entry | None


@dataclass(slots=True)
class Bag:
    """Differences of one sort: how many, how many bytes (the source's), and the first of them."""

    count: int = 0
    bytes: int = 0
    kept: list[Difference] = field(default_factory=list)

    def add(self, difference: Difference) -> None:
        """Count one more, and keep it while there is room."""
        self.count += 1
        entry = difference.source or difference.target
        self.bytes += entry.size if entry else 0
        if len(self.kept) < KEPT_DIFFERENCES:
            self.kept.append(difference)


@dataclass(slots=True)
class PairContents:
    """The files of one pair of partitions, compared; or its blocks, where it is `raw`.

    `names`: paths on both sides. `hashed`: files and blocks whose digests could be compared,
    `hashed_bytes` of them. `drawn` out of `population`: files that take part in the draw, how
    many of them were compared (`sizes`: the size of each one in the draw, in bytes).
    `blocks` out of `block_population`: the same for blocks. `mismatches`: digests that differ,
    `drawn_mismatches`/`block_mismatches` those of them that count in the draws.

    `missing`, `extra`: on one side only; `resized`: of another size; `changed`: of one size with
    other contents, or another kind of node; `streams`: named streams that are not the same;
    `retimed`: the same as far as compared, with another modification time; `unreadable`: no
    digest on a side that tried to read it. `tail_bytes`: raw bytes at the end of the longer side.
    """

    number: int
    raw: bool = False
    names: int = 0
    hashed: int = 0
    hashed_bytes: int = 0
    drawn: int = 0
    population: int = 0
    drawn_mismatches: int = 0
    blocks: int = 0
    block_population: int = 0
    block_mismatches: int = 0
    mismatches: int = 0
    tail_bytes: int = 0
    sizes: array[int] = field(default_factory=lambda: array("Q"))
    missing: Bag = field(default_factory=Bag)
    extra: Bag = field(default_factory=Bag)
    resized: Bag = field(default_factory=Bag)
    changed: Bag = field(default_factory=Bag)
    streams: Bag = field(default_factory=Bag)
    retimed: Bag = field(default_factory=Bag)
    unreadable: Bag = field(default_factory=Bag)


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleBound:
    """What could still differ unseen, at `confidence`; exact, one-sided, over all partitions.

    `files_at_most` of `files`, `blocks_at_most` of `blocks` (of large files and raw partitions);
    `bytes_at_most`: those files at their largest, and those blocks.
    """

    confidence: float
    files: int
    files_at_most: int
    blocks: int
    blocks_at_most: int
    bytes_at_most: int

    @property
    def rate_at_most(self) -> float:
        """The same as a share of the files."""
        return self.files_at_most / self.files if self.files else 0.0


@dataclass(slots=True)
class ContentComparison:
    """Every pair's contents, by the pair's number; pairs that were not both read lack.

    `bound` is `None` where no contents were read on one of the sides.
    """

    pairs: dict[int, PairContents] = field(default_factory=dict)
    bound: SampleBound | None = None
