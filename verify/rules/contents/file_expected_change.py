"""Files differ that copies leave out, that are rewritten for a new drive, or that always move.

## What it compares
What `file-missing`, `file-extra`, `file-size` and `file-content` found, as far as the path is one
of: page, hibernation and swap files, the snapshot store and the waste bin; the boot store and the
recovery configuration; logs, caches, registry hives and other files of a running system whose
times show that they were written.

## Why it matters
A clone of a running system differs in thousands of such files and has lost nothing. They are
reported once, so that the differences that matter are seen.

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

from verify.matching.pair_contents import Bag
from verify.rules.contents.pairs import compared_files
from verify.rules.rule import Area, Rule
from verify.text.message import say
from verify.units import decimal_size

if TYPE_CHECKING:
    from verify.matching.pair_contents import Meaning, PairContents
    from verify.rules.rule import Case, RuleAnswer


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell each sort of expected change once a partition."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.rows)
        for meaning, bag in _expected(files).items():
            size = decimal_size(bag.bytes)
            path, message = (
                None,
                say(
                    "{count} files and folders ({size}) {several}.",
                    count=bag.count,
                    size=size,
                    several=meaning.several,
                ),
            )
            if bag.count == 1:
                path, message = (
                    bag.kept[0].path,
                    say("One file or folder ({size}) {one}.", size=size, one=meaning.one),
                )
            answer.find(meaning.level, message, meaning.advice, partition=number, path=path)


def _expected(files: PairContents) -> dict[Meaning, Bag]:
    """Return the expected changes of all sorts, each meaning in one bag."""
    together: dict[Meaning, Bag] = {}
    for differences in (files.missing, files.extra, files.resized, files.changed, files.streams):
        for meaning, bag in differences.told(expected=True).items():
            whole = together.setdefault(meaning, Bag())
            whole.count += bag.count
            whole.bytes += bag.bytes
            whole.kept += bag.kept
    return together


RULE = Rule(
    slug="file-expected-change",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing=say("no partition has files that can be listed"),
    page=cleandoc(__doc__),
)
