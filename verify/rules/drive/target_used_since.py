"""The new drive was written to after the clone was made: it has been started, or used.

## What it compares
For every pair of partitions: files on both sides whose modification time is later on the new
drive; the times of the last write, unless it was resized, and of the last
mount that an ext filesystem keeps; the time and number of the last write in the base block of the
Windows system registry; how far the log of an NTFS volume is, where both have its serial number and
nobody resized it; and how far its journal of changes (USN) is, where both have the same journal.

## Why it matters
A system that has been started changes thousands of its own files. The comparison with the old
drive then shows those changes beside the clone's faults, and proves less. The order that proves
most is: clone, check before the first start, start alone, see that it runs from the new drive,
identify the old one, wipe it. A check after the first start can no longer prove that files
written since then were copied whole.

## Levels
- `review`: a person's work was changed or created there after the moment of the clone (see
  `source-used-since` for how that is worked out).
- `note`: only a system or programs wrote there; or nothing is known file by file, and the rules
  that compare the files judge each difference.

Where most files have later times on the new drive, the clone was made file by file; that is not
later use and is left to the rules on files.

## What to do
Best is to check before the first start. Else look through the findings on files: what is newer on
the new drive is the system's own work, what is older or missing there is not.

## Sources
Linux kernel Documentation/filesystems/ext4/super.rst (`s_wtime`); that a started system changes
its own logs and stores is common practice. The registry's base block: open descriptions of the REGF
format; the log's sequence number: libfsntfs, "NTFS format", as is
the change journal.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Rule
from verify.rules.usage import tell_later_use
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_ADVICE = say(
    "The new drive was already in use before this check: files written there"
    " since cannot be compared. Read the findings about files."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Look for signs of later use of the new drive."""
    tell_later_use(case, answer, "target", _ADVICE, _ADVICE)


RULE = Rule(
    slug="target-used-since",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing=say("no partition is on both drives"),
    page=cleandoc(__doc__),
)
