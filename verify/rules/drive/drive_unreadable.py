"""Sectors could not be read; the files in them are affected.

## What it compares
The sectors that could not be read on either drive, what they belong to (files, streams, folders,
the filesystem's own structures, free space), and the files on both sides that have no hash
because some of their bytes are in such sectors.

## Why it matters
Bytes that cannot be read on the old drive cannot be proven to be on the new one: many cloning
methods write zeros in their place and go on. A new drive with unreadable sectors should be sent
back.

## Levels
- `stop`: a file could not be read, or owns such sectors, on either drive; any sector of the new
  drive; sectors of a partition of the old one that has no readable filesystem.
- `review`: other sectors of the old drive: tables, folders, the filesystem's own structures, and
  sectors whose owner is not known.
- `note`: sectors of the old drive in free space, or of reserved partitions (Microsoft reserved,
  swap), whose bytes do not matter. Sectors that belong to files only are reported with the files.

Only what was read can be found unreadable: free space is not read on purpose, and a sample reads
a sample. Sectors that failed together with others beside them are reported as well.

## What to do
Open the named files on the new drive and look at them, or take them from a backup. Do not wipe
the old drive until then. Replace a new drive that has unreadable sectors.

## Sources
NIST CFTT Disk Imaging Tool Specification 3.1.6 (read errors are logged and said).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_reserved, name_of
from verify.text.message import Message, counted, joined, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header, Owner, Partition, SectorRange
    from verify.matching.pair_contents import Bag, Difference
    from verify.matching.pairing import Pair
    from verify.rules.rule import Case, RuleAnswer

FILES_NAMED = 20
"""Unreadable files named one by one, a partition; the rest are counted."""

STRUCTURES_NAMED = 5
"""Folders and structures named in the sentence about a partition's sectors."""

_OF_FILES = frozenset({"file", "stream", "link", "other"})
_HARMLESS = _OF_FILES | {"free"}

_OLD_FILE = say("Open the file on the new drive; if it is damaged there, take it from a backup.")
_ANY_FILE = say("Open them on the new drive; take those that are damaged there from a backup.")
_NEW_FILE = say("Copy it again from the old drive, to a new drive without faults.")
_NO_COPY = say("Take it from a backup: neither drive could be read there.")
_NEW_DRIVE = say("Do not hand this drive out: check its cable and adapter, then replace it.")
_SECTORS = say(
    "Read the drive again with another cable or adapter; if the errors stay, the drive is failing."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell every place that was not read, and what lies there."""
    answer.compared(2)
    told: set[tuple[int, str]] = set()
    for pair in case.pairs:
        files = case.contents.pairs.get(pair.number)
        if files is not None and files.unreadable.count:
            _tell_files(answer, pair, files.unreadable)
            told.update((pair.number, item.path) for item in files.unreadable.kept)
        else:
            _tell_counts(answer, pair)
        for partition, header, side in _both(pair, case):
            names = [name for name in _owned(header, partition) if (pair.number, name) not in told]
            _tell_owned(answer, names, partition, side)
    for header, side in ((case.source, OLD), (case.target, NEW)):
        _tell_sectors(header, side, answer)
        for item in header.unread:
            if item.partition is None:
                answer.leave_out(
                    say(
                        "the {name} drive: {what}: {reason}",
                        name=side,
                        what=item.what,
                        reason=item.reason,
                    )
                )


def _both(pair: Pair, case: Case) -> Iterator[tuple[Partition, Header, Message]]:
    if pair.source:
        yield pair.source, case.source, OLD
    if pair.target:
        yield pair.target, case.target, NEW


def _owned(header: Header, partition: Partition) -> list[str]:
    """Return the files and streams of a partition that own unreadable sectors, each once."""
    names = (
        owner.name
        for owner in header.capture.owners
        if owner.partition == partition.number and owner.what in _OF_FILES and owner.name
    )
    return list(dict.fromkeys(names))


def _tell_owned(answer: RuleAnswer, names: list[str], partition: Partition, side: Message) -> None:
    """Name files that own unreadable sectors, though none of their own reads met them."""
    advice = _NEW_FILE if side == NEW else _OLD_FILE
    for name in names[:FILES_NAMED]:
        message = say("Sectors of a file could not be read on the {side} drive.", side=side)
        answer.find(Level.STOP, message, advice, partition=partition.number, path=name)
    more = len(names) - FILES_NAMED
    if more > 0:
        message = counted(
            "{count} more file of partition {number} of the {side} drive owns sectors"
            " that could not be read.",
            "{count} more files of partition {number} of the {side} drive own sectors"
            " that could not be read.",
            more,
            number=partition.number,
            side=side,
        )
        answer.find(Level.STOP, message, advice, partition=partition.number)


def _tell_files(answer: RuleAnswer, pair: Pair, unreadable: Bag) -> None:
    named = unreadable.kept[:FILES_NAMED]
    for item in named:
        sides, advice = _sides(item)
        message = say("A file could not be read on {sides}.", sides=sides)
        answer.find(Level.STOP, message, advice, partition=pair.number, path=item.path)
    more = unreadable.count - len(named)
    if more:
        message = counted(
            "{count} more file of partition {number} could not be read.",
            "{count} more files of partition {number} could not be read.",
            more,
            number=pair.number,
        )
        answer.find(Level.STOP, message, _ANY_FILE, partition=pair.number)


def _sides(item: Difference) -> tuple[Message, Message]:
    """Return where a file could not be read, and what to do."""
    old = item.source is not None and item.source.unhashed is not None
    new = item.target is not None and item.target.unhashed is not None
    if old and new:
        return say("both drives"), _NO_COPY
    if new:
        return say("the new drive"), _NEW_FILE
    return (say("the old drive") if old else say("one of the drives")), _OLD_FILE


def _tell_counts(answer: RuleAnswer, pair: Pair) -> None:
    """Tell how many files a drive did not give back, where they were not compared one by one."""
    counts = tuple(
        side.contents.files_unreadable if side and side.contents else 0
        for side in (pair.source, pair.target)
    )
    if any(counts):
        message = say(
            "Files of partition {number} could not be read: {old_count} on the old drive,"
            " {new_count} on the new one.",
            number=pair.number,
            old_count=counts[0],
            new_count=counts[1],
        )
        advice = _ANY_FILE if counts[0] else _NEW_FILE
        answer.find(
            Level.STOP, message, advice, partition=pair.number, source=counts[0], target=counts[1]
        )


def _tell_sectors(header: Header, side: Message, answer: RuleAnswer) -> None:
    """Tell unreadable sectors, once a partition and once for what lies outside all of them."""
    inside = [item for item in header.partitions if not item.container]
    for partition in inside:
        hit = [item for item in header.capture.unreadable if _overlap(item, partition)]
        if hit:
            owners = [
                owner for owner in header.capture.owners if owner.partition == partition.number
            ]
            _tell_ranges(answer, hit, side, partition, owners)
    outside = [
        item
        for item in header.capture.unreadable
        if not any(_overlap(item, partition) for partition in inside)
    ]
    if outside:
        _tell_ranges(answer, outside, side, None, [])


def _overlap(unread: SectorRange, partition: Partition) -> bool:
    end_lba = unread.start_lba + unread.sectors
    return unread.start_lba < partition.end_lba and partition.start_lba < end_lba


def _tell_ranges(
    answer: RuleAnswer,
    ranges: list[SectorRange],
    side: Message,
    partition: Partition | None,
    owners: list[Owner],
) -> None:
    sectors = sum(item.sectors for item in ranges)
    first = min(item.start_lba for item in ranges)
    where = (
        say("in {partition}", partition=name_of(partition, capital=False))
        if partition
        else say("outside all partitions")
    )
    message = counted(
        "{count} sector of the {side} drive could not be read, {where}, the first"
        " at LBA {first}{whose}.",
        "{count} sectors of the {side} drive could not be read, {where}, the first"
        " at LBA {first}{whose}.",
        sectors,
        side=side,
        where=where,
        first=first,
        whose=_whose(owners),
    )
    new = side == NEW
    answer.find(
        Level.STOP if new else _level(partition, ranges, owners),
        message,
        _NEW_DRIVE if new else _SECTORS,
        partition=partition.number if partition else None,
        source=None if new else sectors,
        target=sectors if new else None,
    )


def _level(partition: Partition | None, ranges: list[SectorRange], owners: list[Owner]) -> Level:
    """Return what unreadable sectors of the old drive mean, by whose they are."""
    if partition is None:
        return Level.REVIEW
    if is_reserved(partition):
        return Level.NOTE
    if partition.is_raw:
        return Level.STOP
    harmless = all(owner.what in _HARMLESS for owner in owners)
    return Level.NOTE if harmless and _owned_whole(ranges, owners) else Level.REVIEW


def _owned_whole(ranges: list[SectorRange], owners: list[Owner]) -> bool:
    """Whether it is known of every sector whose it is; one may fail after owners were searched."""
    for item in ranges:
        at, end = item.start_lba, item.start_lba + item.sectors
        for owner in sorted(owners, key=lambda owner: owner.start_lba):
            if owner.start_lba <= at:
                at = max(at, owner.start_lba + owner.sectors)
        if at < end:
            return False
    return True


def _whose(owners: list[Owner]) -> str:
    """Say what the sectors hold, as far as it is known: structures and folders by name."""
    names = [owner.name for owner in owners if owner.what in {"structure", "folder"}]
    kinds = {owner.what for owner in owners}
    parts: list[str] = [name for name in dict.fromkeys(names) if name][:STRUCTURES_NAMED]
    if len(set(names)) > len(parts):
        parts.append(say("further filesystem structures"))
    if kinds & _OF_FILES:
        parts.append(say("files"))
    if "free" in kinds:
        parts.append(say("free space"))
    return say(" ({parts})", parts=joined(parts)) if parts else ""


RULE = Rule(
    slug="drive-unreadable",
    area=Area.DRIVE,
    required=True,
    judge=judge,
    nothing=say("no drive was read"),
    page=cleandoc(__doc__),
)
