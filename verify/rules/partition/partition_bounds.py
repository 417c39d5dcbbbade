"""A partition overlaps another one, or is outside the allowed range.

## What it compares
The place of each partition of the new drive: against the others, against the drive's end, and on
a GPT drive against the range that its header gives for partitions. The old drive's partitions are
checked as well; a logical partition of an MBR also against the extended one that holds it. With a
fit, also each partition's start and the new drive's size against the fit.

## Why it matters
Two partitions over the same sectors destroy each other. Data beyond the drive's end was never
written: this happens when a larger drive's table was copied to a smaller drive. A partition
outside the usable range overwrites the table, or is overwritten by it.

## Levels
- `stop`: a partition overlaps another one, or ends beyond the drive's end.
- `review`: a partition lies outside the range that the GPT header allows, a logical partition
  outside the extended one; one starts elsewhere than
  the fit declares; the fit was worked out for another old drive, or for other sectors.
- `note`: the fit was worked out for a new drive of another size; the old drive has the
  same fault, or it alone.

## What to do
Make the partitions on the new drive anew, so that each has its own room, and clone again.

## Sources
UEFI 2.10 sections 5.2.1 (a record that runs past the drive or overlaps another is not valid) and
5.3.2 (first and last usable block). Logical partitions: common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.matching.pairing import on_drive
from verify.rules.held_to_fit import tell_places
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, tell_fault
from verify.text.message import Message, counted, say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_OVERLAPS, _PAST_END, _UNUSABLE = "overlaps", "past-end", "unusable"
_LOOSE = "loose"
_LEVELS = {
    _OVERLAPS: Level.STOP,
    _PAST_END: Level.STOP,
    _UNUSABLE: Level.REVIEW,
    _LOOSE: Level.REVIEW,
}

_ADVICE = {
    _OVERLAPS: say("Repartition the new drive so that no partitions overlap, and clone again."),
    _PAST_END: say(
        "Clone again: to a drive that is large enough, or with smaller partitions. `fit` works out"
        " which ones fit."
    ),
    _UNUSABLE: say(
        "Repartition the new drive so that every partition is inside the usable range, and clone"
        " again."
    ),
    _LOOSE: say(
        "Repartition the new drive so that every logical partition is inside the extended one, and"
        " clone again."
    ),
}

_FIRST_LOGICAL = 5
"""Logical partitions of an MBR are numbered from here (common practice)."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a partition's place, by how many sectors, and with which other one."""

    words: Message
    sectors: int
    other: int | None = None

    def excuses(self, new: Fault) -> bool:
        """Whether the new drive's is the same, or less of it: LBAs change with the drive's size."""
        return self.other == new.other and new.sectors <= self.sectors


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the places of the target's partitions, each beside its counterpart's."""
    tell_places(case, answer)
    old_faults, new_faults = faults(case.source), faults(case.target)
    for number, words in old_faults.items():
        if _PAST_END in words:
            answer.leave_out(
                say(
                    "partition {number} of the old drive {words}: nothing after that was read",
                    number=number,
                    words=words[_PAST_END].words,
                )
            )
    for pair in case.pairs:
        old = old_faults.get(pair.source.number, {}) if pair.source else {}
        new = new_faults.get(pair.target.number, {}) if pair.target else {}
        answer.compared(pair.target is not None)
        named = pair.target or pair.source
        for key, level in _LEVELS.items():
            if named is not None:
                was, now = old.get(key), new.get(key)
                told = was.words if was else None, now.words if now else None
                tell_fault(
                    answer,
                    level,
                    name_of(named),
                    told,
                    _ADVICE[key],
                    partition=pair.number,
                    values=told,
                    known=bool(was and now and was.excuses(now)),
                )


def faults(header: Header) -> dict[int, dict[str, Fault]]:
    """Return what is wrong with the place of each partition, by its number."""
    found: dict[int, dict[str, Fault]] = {}
    partitions = on_drive(header)
    sectors = header.drive.size_bytes // header.table.sector_bytes
    table = header.table
    used = table.primary if table.used == "primary" else table.backup
    for item in partitions:
        mine = found.setdefault(item.number, {})
        if item.end_lba > sectors:
            words = say(
                "ends at LBA {end_lba}, but the drive's last one is {last}",
                end_lba=item.end_lba - 1,
                last=sectors - 1,
            )
            mine[_PAST_END] = Fault(words, item.end_lba - sectors)
        elif table.scheme == "gpt" and used is not None:
            first, last = used.first_usable_lba, used.last_usable_lba
            if item.start_lba < first or item.end_lba - 1 > last:
                words = say(
                    "is at LBA {start_lba} to {end_lba}, outside the usable range"
                    " {first} to {last}",
                    start_lba=item.start_lba,
                    end_lba=item.end_lba - 1,
                    first=first,
                    last=last,
                )
                outside = max(0, first - item.start_lba) + max(0, item.end_lba - 1 - last)
                mine[_UNUSABLE] = Fault(words, outside)
    for number, fault in _overlaps(partitions):
        found[number][_OVERLAPS] = fault
    for number in _loose(header, partitions):
        words = say("is a logical partition, but outside the extended one")
        found[number][_LOOSE] = Fault(words, 0)
    return found


def _loose(header: Header, partitions: list[Partition]) -> list[int]:
    """Return the logical partitions that no extended partition holds whole."""
    if header.table.scheme != "mbr":
        return []
    holders = [item for item in header.partitions if item.container]
    return [
        item.number
        for item in partitions
        if item.number >= _FIRST_LOGICAL
        and not any(
            holder.start_lba < item.start_lba and item.end_lba <= holder.end_lba
            for holder in holders
        )
    ]


def _overlaps(partitions: list[Partition]) -> list[tuple[int, Fault]]:
    """Return, for each partition that begins in front of the end of an earlier one, which."""
    found: list[tuple[int, Fault]] = []
    before: Partition | None = None
    for item in partitions:
        if before is not None and item.start_lba < before.end_lba:
            shared = min(item.end_lba, before.end_lba) - item.start_lba
            words = counted(
                "overlaps partition {number} by {count} sector",
                "overlaps partition {number} by {count} sectors",
                shared,
                number=before.number,
            )
            found.append((item.number, Fault(words, shared, before.number)))
        if before is None or item.end_lba > before.end_lba:
            before = item
    return found


RULE = Rule(
    slug="partition-bounds",
    area=Area.PARTITION,
    required=True,
    judge=judge,
    nothing=say("the new drive has no partitions"),
    page=cleandoc(__doc__),
)
