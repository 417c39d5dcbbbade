"""The times of the files are not those of the old drive.

## What it compares
The modified, created and changed times of every file that both drives have with one size, at every
depth, as far as both filesystems keep them. Two seconds are no difference (FAT keeps no less).

## Why it matters
A copy made file by file gives files new times: sorting by date, backups and synchronisation go
wrong from then on. And such a copy has lost more than times.

## Levels
- `review`: the times of one sort differ for more than half of a partition's files, the mark of a
  file-by-file copy. A `note` on a partition that only starts the system, which cloning may fill
  anew, and for changed times alone on a volume that was resized.
- `stop`: a file was last written before the clone, has another modification time on the new drive,
  and its contents were not read on both drives.
- `review`: the same where no moment of the clone can be told.
- `note`: other times over contents that were read and are the same.
- told elsewhere: files whose contents or sizes differ; files of a running system.

The times of folders change with every name in them and are not compared.

## What to do
Clone by partition, not file by file; then the times come over with the filesystem.

## Sources
Common practice; FAT's step: Microsoft, "FAT: General Overview of On-Disk Format" (from memory).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.contents.gather import tell_gathered
from verify.rules.contents.pairs import compared_files
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_boot_partition, was_resized
from verify.text.message import Message, say
from verify.units import moment_of

if TYPE_CHECKING:
    from datetime import date

    from verify.matching.pair_contents import Times
    from verify.rules.rule import Case, RuleAnswer

_AGAIN = say(
    "If whole partitions were to be cloned, clone again. If copying files"
    " was intended, check that owners, links and named streams were copied"
    " too."
)


_SORTS = {
    "modified": say("modification times"),
    "created": say("creation times"),
    "changed": say("metadata change times"),
}
"""Sorts of time, the weightiest first."""


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell whether most times were lost, else which few differ."""
    partitions = {new.number: (old, new) for old, new in case.matched}
    for number, files in compared_files(case, answer):
        times, compared = files.times, files.totals.timed
        answer.compared(compared)
        sort = _mostly(times, compared)
        if sort is None:
            tell_gathered(answer, number, files.retimed)
            tell_gathered(answer, number, files.recreated)
            continue
        old, new = partitions[number]
        mild = is_boot_partition(case.target, new)
        mild = mild or (sort == "changed" and was_resized(case, old, new))
        differing = getattr(times, sort)
        answer.find(
            Level.NOTE if mild else Level.REVIEW,
            say(
                "{differing} of {compared} files of partition {number} have different"
                " {times} on the new drive ({span}): they were copied file by file.",
                differing=differing,
                compared=compared,
                number=number,
                times=_SORTS[sort],
                span=_span(times),
            ),
            _AGAIN,
            partition=number,
        )


def _mostly(times: Times, compared: int) -> str | None:
    """Return the weightiest sort of time that most files have lost."""
    return next((sort for sort in _SORTS if getattr(times, sort) * 2 > compared), None)


def _span(times: Times) -> Message:
    """Say from when to when the new times are, by days (UTC)."""
    first, last = (_day(moment) for moment in (times.first, times.last))
    return (
        say("all on {first}", first=first)
        if first == last
        else say("from {first} to {last}", first=first, last=last)
    )


def _day(moment: int | None) -> date | Message:
    try:
        return moment_of((moment or 0) // 1_000_000_000).date()
    except (OverflowError, ValueError, OSError):
        return say("an impossible date")


RULE = Rule(
    slug="file-times",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing=say("no partition has files with times on both drives"),
    page=cleandoc(__doc__),
)
