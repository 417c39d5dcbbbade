"""Files have another length on the new drive.

## What it compares
The length in bytes of every file that both drives list, at every depth.

## Why it matters
A shorter file was cut off; a longer one was written to by somebody. Either way it is not the
customer's file any more, and no hash is needed to know it.

## Levels
- `stop`: another length under the same modification time (damage), or newer on the old drive.
- `stop`, `review`, or told elsewhere, as by `file-content`, where it is known when the volume was
  copied.
- `review`, where no moment is known: newer on the new drive; the system's or a program's and newer
  on the old one; or held open by a running system under one time.
- told as an expected change instead: page files, boot stores, logs, caches and the like.

## What to do
Copy the whole or the newer version from the old drive, or clone again, and check again.

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
    """Tell every other length, by what the times say."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.rows)
        tell_gathered(answer, number, files.resized)


RULE = Rule(
    slug="file-size",
    area=Area.CONTENTS,
    required=True,
    judge=judge,
    nothing=say("no partition has files that are on both drives"),
    page=cleandoc(__doc__),
)
