"""Sectors could not be read, and the files that lie in them.

## What it compares
The sectors that either drive did not give back while it was read, and the files on both sides
that have no hash because some of their bytes lie there.

## Why it matters
Bytes that cannot be read on the old drive cannot be proven to be on the new one: many cloning
methods write zeros in their place and go on. Unreadable sectors on a new drive are a drive to
send back.

## Levels
- `stop`: a file could not be read on either drive; sectors of a partition that has no readable
  filesystem could not be read.
- `review`: other sectors could not be read: tables, the filesystem's own structures.
- `note`: sectors of reserved partitions (Microsoft reserved, swap), whose bytes decide nothing.

Only what was read can be found unreadable: free space is not read, and a sample reads a sample.

## What to do
Open the named files on the new drive and look at them, or take them from a backup. Do not wipe
the old drive before. Replace a new drive that does not give back its sectors.

## Sources
NIST CFTT Disk Imaging Tool Specification 3.1.6 (read errors are logged and said).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING, Literal

from verify.rules.model import Area, Level, Rule
from verify.rules.shared import is_reserved, name_of

if TYPE_CHECKING:
    from verify.manifest.model import Header, Partition, SectorRange
    from verify.rules.comparison import Bag, Difference
    from verify.rules.model import Case, Pair, Tally

Side = Literal["old", "new"]

FILES_NAMED = 20
"""Unreadable files named one by one, a partition; the rest are counted."""

_FILE = "Look at the file on the new drive, or take it from a backup, before the old one is wiped."
_SECTORS = "Read the drive again with another cable or adapter; if it stays so, mistrust the drive."


def judge(case: Case, tally: Tally) -> None:
    """Tell every place that was not read, and what lies there."""
    tally.agree(2)
    for pair in case.pairs:
        files = case.contents.pairs.get(pair.number)
        if files is not None and files.unreadable.count:
            _tell_files(tally, pair, files.unreadable)
        else:
            _tell_counts(tally, pair)
    _tell_sectors(case.source, "old", tally)
    _tell_sectors(case.target, "new", tally)


def _tell_files(tally: Tally, pair: Pair, unreadable: Bag) -> None:
    named = unreadable.kept[:FILES_NAMED]
    for item in named:
        message = f"A file could not be read on {_sides(item)}."
        tally.find(Level.STOP, message, _FILE, partition=pair.number, path=item.path)
    more = unreadable.count - len(named)
    if more:
        message = f"{more} more file(s) of partition {pair.number} could not be read."
        tally.find(Level.STOP, message, _FILE, partition=pair.number)


def _sides(item: Difference) -> str:
    old = item.source is not None and item.source.unhashed is not None
    new = item.target is not None and item.target.unhashed is not None
    if old and new:
        return "both drives"
    return "the old drive" if old else "the new drive" if new else "one of the drives"


def _tell_counts(tally: Tally, pair: Pair) -> None:
    """Tell how many files a drive did not give back, where they were not compared one by one."""
    counts = tuple(
        side.contents.files_unreadable if side and side.contents else 0
        for side in (pair.source, pair.target)
    )
    if any(counts):
        message = (
            f"Files of partition {pair.number} could not be read: {counts[0]} on the old drive,"
            f" {counts[1]} on the new one."
        )
        tally.find(
            Level.STOP, message, _FILE, partition=pair.number, source=counts[0], target=counts[1]
        )


def _tell_sectors(header: Header, side: Side, tally: Tally) -> None:
    """Tell unreadable sectors, once a partition and once for what lies outside all of them."""
    inside = [item for item in header.partitions if not item.container]
    for partition in inside:
        hit = [item for item in header.capture.unreadable if _overlap(item, partition)]
        if hit:
            _tell_ranges(tally, hit, side, partition)
    outside = [
        item
        for item in header.capture.unreadable
        if not any(_overlap(item, partition) for partition in inside)
    ]
    if outside:
        _tell_ranges(tally, outside, side, None)


def _overlap(unread: SectorRange, partition: Partition) -> bool:
    end_lba = unread.start_lba + unread.sectors
    return unread.start_lba < partition.end_lba and partition.start_lba < end_lba


def _tell_ranges(
    tally: Tally, ranges: list[SectorRange], side: Side, partition: Partition | None
) -> None:
    sectors = sum(item.sectors for item in ranges)
    first = min(item.start_lba for item in ranges)
    where = f"in {name_of(partition, capital=False)}" if partition else "outside all partitions"
    message = (
        f"{sectors} sector(s) of the {side} drive could not be read, {where},"
        f" the first at LBA {first}."
    )
    level = Level.REVIEW
    if partition is not None and is_reserved(partition):
        level = Level.NOTE
    elif partition is not None and partition.is_raw:
        level = Level.STOP
    tally.find(
        level,
        message,
        _SECTORS,
        partition=partition.number if partition else None,
        source=sectors if side == "old" else None,
        target=sectors if side == "new" else None,
    )


RULE = Rule(
    slug="drive-unreadable",
    area=Area.DRIVE,
    required=True,
    judge=judge,
    nothing="no drive was read",
    page=cleandoc(__doc__),
)
