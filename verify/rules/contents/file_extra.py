"""The new drive has files that the old one does not have.

## What it compares
Every name that both listings hold, by its full path.

## Why it matters
Nothing is lost by it. But a clone has nothing of its own: further files mean that the new drive
was used since, or that something else was on it before.

## Levels
- `note`: there are further files or folders.
- told by `source-used-since` and `target-used-since`: deleted or renamed on the old drive, or made
  on the new one, after the clone.
- told as an expected change instead: page files, logs, caches and the like.

## What to do
Ask whether the new drive was started, or used, since the clone.

## Sources
Common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.contents.gather import tell_gathered
from verify.rules.contents.pairs import compared_files
from verify.rules.rule import Area, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell what only the new drive has, folder by folder."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.rows + files.extra.count)
        tell_gathered(answer, number, files.extra)


RULE = Rule(
    slug="file-extra",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing=say("no partition has files that can be listed"),
    page=cleandoc(__doc__),
)
