"""What became of every file: the two listings merged once, for all rules of the contents.

The merge itself fills this in; rules only read it. Lists are bounded, counts are not.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from itertools import chain
from typing import TYPE_CHECKING, Literal

from verify.filesystem.entry import Entry
from verify.manifest.draw import BLOCK_BYTES
from verify.manifest.totals import Totals
from verify.matching.level import Level
from verify.matching.moment import Volume
from verify.matching.traces import is_work
from verify.text.message import Message

if TYPE_CHECKING:
    from collections.abc import Iterator

Since = Literal["source", "target"]

Kind = Literal[
    "missing",
    "extra",
    "size",
    "contents",
    "zeros",
    "streams",
    "times",
    "created",
    "links",
    "security",
    "attributes",
    "unreadable",
    "not_read",
    "moved",
    "excluded",
]
"""What differs of a name. `moved`: the other drive has it under another name; `excluded`: good
clones differ there too; `not_read`: on neither drive, since its length cannot be true."""

KEPT_DIFFERENCES = 10_000
"""Differences kept whole of each meaning, a partition: people's work and the largest first. Of the
others only their number is."""

_ROOM = KEPT_DIFFERENCES // 5
"""So many more are taken before the least grave are dropped."""

_WIDE_DEPTH = 3
"""A folder of at most so many names is kept before files."""


@dataclass(slots=True)
class Difference:
    """One path that differs; an absent side is `None`. `volume`: what its volume tells of it.

    `told`: each kind of difference that was found, and what it means.
    """

    path: str
    source: Entry | None
    target: Entry | None
    volume: Volume = field(default_factory=Volume, kw_only=True, repr=False, compare=False)
    told: list[tuple[Kind, Meaning]] = field(
        default_factory=list, kw_only=True, repr=False, compare=False
    )

    @property
    def size(self) -> int:
        """The file's length in bytes: the source's, where it has it."""
        entry = self.source or self.target
        return entry.size if entry else 0


def gravity(item: Difference) -> tuple[bool, bool, int]:
    """Return what a difference is sorted by: people's work, then wide folders, then by size."""
    entry = item.source or item.target
    if entry is None:
        return False, False, 0
    wide = entry.kind == "folder" and entry.path.count("/") <= _WIDE_DEPTH
    return is_work(entry), wide, item.size


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a difference means: its level, how a sentence about it ends, and the advice.

    `one` ends a sentence that begins with "A file", `several` one that begins with "12 files".
    `expected`: it is a change that good clones have, told by `file-expected-change` alone.
    `since`: it is later use of one side, told by `source-used-since` or `target-used-since` alone.
    """

    level: Level
    one: Message
    several: Message
    advice: Message
    expected: bool = False
    since: Since | None = None


@dataclass(slots=True)
class Bag:
    """Differences of one meaning: how many, how many bytes, and the gravest, in their order."""

    count: int = 0
    bytes: int = 0
    kept: list[Difference] = field(default_factory=list)
    least: tuple[bool, bool, int] | None = None

    def add(self, difference: Difference) -> None:
        """Count one more, and keep it if it is one of the gravest."""
        self.count += 1
        self.bytes += difference.size
        if self.least is not None and gravity(difference) <= self.least:
            return
        self.kept.append(difference)
        if len(self.kept) >= KEPT_DIFFERENCES + _ROOM:
            self._drop()

    def _drop(self) -> None:
        """Drop the least grave, of equals the later ones."""
        ranks = [gravity(item) for item in self.kept]
        order = sorted(range(len(ranks)), key=lambda at: ranks[at], reverse=True)
        left = order[:KEPT_DIFFERENCES]
        self.least = ranks[left[-1]]
        self.kept = [self.kept[at] for at in sorted(left)]


@dataclass(slots=True)
class Sorted:
    """Differences of one sort, each meaning in a bag of its own.

    So that none is lost: however many caches differ, the one photo that does is kept.
    """

    kind: Kind = "contents"
    bags: dict[Meaning, Bag] = field(default_factory=dict)

    def add(self, meaning: Meaning, difference: Difference) -> None:
        """Put a difference to its like."""
        difference.told.append((self.kind, meaning))
        self.bags.setdefault(meaning, Bag()).add(difference)

    def told(self, *, expected: bool = False) -> dict[Meaning, Bag]:
        """Return the bags of the expected changes, or of all others but later use."""
        return {
            key: bag
            for key, bag in self.bags.items()
            if key.expected is expected and key.since is None
        }

    @property
    def count(self) -> int:
        """How many there are of all meanings."""
        return sum(bag.count for bag in self.bags.values())

    @property
    def unexpected(self) -> int:
        """How many are no expected changes."""
        return sum(bag.count for bag in self.told().values())

    @property
    def kept(self) -> Iterator[Difference]:
        """Those that were kept, of all meanings."""
        return chain.from_iterable(bag.kept for bag in self.bags.values())


@dataclass(slots=True)
class Times:
    """How many times of each sort differ, of files of one size.

    `first` and `last` bound those on the new drive, in nanoseconds since 1970 UTC.
    """

    modified: int = 0
    created: int = 0
    changed: int = 0
    first: int | None = None
    last: int | None = None

    def see(self, moment: int | None) -> None:
        """Widen the bounds to a moment on the new drive."""
        if moment is not None:
            self.first = moment if self.first is None else min(self.first, moment)
            self.last = moment if self.last is None else max(self.last, moment)


@dataclass(slots=True)
class PairContents:
    """The files of one pair of partitions, compared; or its blocks, where it is `raw`.

    `totals`: what the names on both sides count for; its blocks have `block_bytes` each.
    `mismatches`: digests that differ and were to be the same, `expected_changes`: those that
    differ on good clones too, `drawn_mismatches`/`block_mismatches`: those of them that count in
    the draws; `drawn_damage`/`block_damage`: those of these at level `stop`. `moving_kept`: whether
    the new drive has any file that a running system writes all the time, asked only where such
    files are missing.

    `missing`, `extra`: on one side only; `resized`: of another size; `changed`: of one size with
    other contents, or another kind of node; `zeroed`: those of both that hold zeros where
    the old drive has data; `streams`: named streams that are not the same;
    `retimed`: the same as far as compared, with another modification time, `recreated` with
    another creation time alone; `relinked`: links of all sorts that are not what they were;
    `security` and `attributes`: what is kept beside the contents. `unsecured`: names whose owner
    one side does not tell. `cluster_bytes`: each side's. `volume`: what both listings tell
    together, and when the target was copied. `unreadable`: no digest on a side that tried to read
    it.
    """

    number: int
    raw: bool = False
    totals: Totals = field(default_factory=Totals)
    drawn_mismatches: int = 0
    block_bytes: int = BLOCK_BYTES
    block_mismatches: int = 0
    drawn_damage: int = 0
    block_damage: int = 0
    mismatches: int = 0
    expected_changes: int = 0
    moving_kept: bool = True
    missing: Sorted = field(default_factory=lambda: Sorted("missing"))
    extra: Sorted = field(default_factory=lambda: Sorted("extra"))
    resized: Sorted = field(default_factory=lambda: Sorted("size"))
    changed: Sorted = field(default_factory=lambda: Sorted("contents"))
    zeroed: Sorted = field(default_factory=lambda: Sorted("zeros"))
    streams: Sorted = field(default_factory=lambda: Sorted("streams"))
    retimed: Sorted = field(default_factory=lambda: Sorted("times"))
    recreated: Sorted = field(default_factory=lambda: Sorted("created"))
    relinked: Sorted = field(default_factory=lambda: Sorted("links"))
    security: Sorted = field(default_factory=lambda: Sorted("security"))
    attributes: Sorted = field(default_factory=lambda: Sorted("attributes"))
    times: Times = field(default_factory=Times)
    volume: Volume = field(default_factory=Volume)
    cluster_bytes: tuple[int | None, int | None] = (None, None)
    unsecured: int = 0
    unreadable: Bag = field(default_factory=Bag)
    untried: Bag = field(default_factory=Bag)


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
class Listed:
    """The differences of one pair of partitions (their numbers), counted name by name.

    `kinds`: names that differ in that; one may differ in several. `to_copy`: names that are to be
    copied from the old drive, of which `with_line_breaks` fit into no list by lines.
    """

    source: int | None
    target: int | None
    count: int = 0
    kinds: Counter[Kind] = field(default_factory=Counter)
    levels: Counter[Level] = field(default_factory=Counter)
    to_copy: int = 0
    with_line_breaks: int = 0


@dataclass(slots=True)
class ContentComparison:
    """Every pair's contents, by the pair's number; pairs that were not both read lack.

    `encrypted`: the encrypted bytes of pairs whose files were compared through views. `listed`:
    how many names differ, of each pair that has files. `bound` is `None` where no contents were
    read on one of the sides.
    """

    pairs: dict[int, PairContents] = field(default_factory=dict)
    encrypted: dict[int, PairContents] = field(default_factory=dict)
    listed: list[Listed] = field(default_factory=list)
    bound: SampleBound | None = None
