"""Files differ that copies leave out, that are rewritten for a new drive, or that always move.

## What it compares
What `file-missing`, `file-extra`, `file-size` and `file-content` found, as far as the path is one
of: page, hibernation and swap files, the snapshot store and the waste bin; the boot store and the
recovery configuration; logs, caches, registry hives and other files of a running system whose
times show that they were written.

## Why it matters
A clone of a running system differs in thousands of such files and has lost nothing. They are told
once, so that the differences that matter are seen.

## Levels
- `note`: always. What a rewritten boot store and recovery configuration say is judged by the boot
  and recovery rules.

## What to do
Nothing, where the clone was made from a running system or without page files.

## Sources
Microsoft Learn: "Registry Keys and Values for Backup and Restore" (FilesNotToBackup), "Excluding
Files from Shadow Copies", and the default exclusion list of image capture; libvshadow, "VSS
format" (the snapshot store); file-hierarchy(7) for Linux; logs, caches and hives: common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.contents.habits import Habit, habit_of
from verify.rules.contents.pairs import compared_files
from verify.rules.contents.weigh import weigh_change, weigh_missing
from verify.rules.model import Area, Level, Rule
from verify.units import decimal_size

if TYPE_CHECKING:
    from verify.rules.comparison import Difference, PairContents
    from verify.rules.model import Case, Tally

_SENTENCES = {
    Habit.LEFT_OUT: (
        (
            "{count} file(s) and folder(s) that copies leave out differ ({size}): page, hibernation"
            " or swap files, the snapshot store, the waste bin or emptied folders."
        ),
        "Nothing to do; the system makes them anew.",
    ),
    Habit.REWRITTEN: (
        "{count} file(s) that name the drive were rewritten: boot store or recovery configuration.",
        "Nothing to do if the new drive and its recovery environment start.",
    ),
    Habit.MOVING: (
        (
            "{count} file(s) and folder(s) that a running system writes all the time differ"
            " ({size}): logs, caches, registry hives."
        ),
        "Nothing to do if the clone was made while the system ran.",
    ),
}


def judge(case: Case, tally: Tally) -> None:
    """Tell each sort of expected change once a partition."""
    for number, files in compared_files(case, tally):
        tally.agree(files.names)
        sorts: dict[Habit, list[Difference]] = {}
        for item in _expected(files):
            habit = habit_of(item.path)
            told = habit if habit in _SENTENCES else Habit.MOVING
            sorts.setdefault(told, []).append(item)
        for habit, items in sorts.items():
            _tell(tally, number, habit, items)


def _expected(files: PairContents) -> list[Difference]:
    """Return the differences that the other rules leave to this one."""
    names = [item for bag in (files.missing, files.extra) for item in bag.kept]
    changes = [item for bag in (files.resized, files.changed) for item in bag.kept]
    return [item for item in names if weigh_missing(item) is None] + [
        item for item in changes if weigh_change(item) is None
    ]


def _tell(tally: Tally, number: int, habit: Habit, items: list[Difference]) -> None:
    sentence, advice = _SENTENCES[habit]
    size = sum(side.size for item in items if (side := item.source or item.target))
    message = sentence.format(count=len(items), size=decimal_size(size))
    path = items[0].path if len(items) == 1 else None
    tally.find(Level.NOTE, message, advice, partition=number, path=path)


RULE = Rule(
    slug="file-expected-change",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing="no partition has files that can be listed",
    page=cleandoc(__doc__),
)
