"""What is in use is marked free on the new drive, or belongs to two files.

## What it compares
Every cluster of every file and of the filesystem's own structures with the record of what is in
use (bitmap or FAT), both ways, on the new drive. The old drive's is looked at beside it.

## Why it matters
A file whose clusters are marked free reads well today, and is overwritten by the next write: after
the old drive was wiped.

## Levels
- `stop`: clusters of a file or structure are marked free, or belong to two files.
- `review`: its own check repairs the fault without loss; or changes wait in a log that was not
  applied.
- `note`: space is marked in use and belongs to nothing; the old drive has the same fault at the
  same place with the same value; or it alone.
- not examined: kinds that are not covered, parts that could not be read.

## What to do
Do not start from, or write to, the new drive. Clone the partition again.

## Sources
Per filesystem, in docs/formats: where the record of what is in use lies, and what its checker
compares it with.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.filesystem.examined import examined, groups, tell, tell_gone
from verify.rules.rule import Area, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_AGAIN = say("Do not write to the new drive, and clone this partition again.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the record of what is in use of every pair's filesystem."""
    for old, new, here, before in examined(case, answer, lambda found: found.allocation):
        for group in groups(new, here, before):
            tell(answer, group, _AGAIN)
        tell_gone(answer, old, here, before)


RULE = Rule(
    slug="filesystem-allocation",
    area=Area.FILESYSTEM,
    required=True,
    judge=judge,
    nothing=say("no filesystem whose allocation can be examined is on both drives"),
    page=cleandoc(__doc__),
)
