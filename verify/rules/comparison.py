"""What became of every file: the two listings merged once, for all rules of the contents.

The merge itself fills this in; rules only read it. Lists are bounded, counts are not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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
    """The files of one pair of partitions, compared.

    `names`: paths on both sides; `hashed`: files with a digest on both sides; `drawn`: those of
    them that both draws chose; `population`: files that the draw chose from, on both sides.
    `blocks`/`block_population`: the same for blocks.
    """

    number: int
    names: int = 0
    hashed: int = 0
    hashed_bytes: int = 0
    drawn: int = 0
    population: int = 0
    blocks: int = 0
    block_population: int = 0
    mismatches: int = 0
    missing: Bag = field(default_factory=Bag)
    extra: Bag = field(default_factory=Bag)
    resized: Bag = field(default_factory=Bag)
    changed: Bag = field(default_factory=Bag)
    retimed: Bag = field(default_factory=Bag)
    unreadable: Bag = field(default_factory=Bag)


@dataclass(slots=True)
class ContentComparison:
    """Every pair's contents, by the pair's number; pairs whose files were not both listed lack."""

    pairs: dict[int, PairContents] = field(default_factory=dict)
