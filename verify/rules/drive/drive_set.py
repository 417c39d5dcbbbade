"""The drive is a member of a set: one drive is not the whole.

## What it compares
Nothing yet: this version does not judge it, and says so in every comparison. A later one looks
for dynamic disks (LDM), storage pools, software and controller RAID, LVM, and flash caches.

## Why it matters
A volume that is spread over several drives is not on any one of them. A clone of one member may
be perfect and still be worth nothing without the others; and a member that is attached twice
confuses the set.

## Levels
None in this version: the outcome is always `not_examined`. The rule is not required for `sound`
until it is built.

## What to do
See in the machine whether it had more than one drive. Partitions of the types LDM, Linux RAID,
Linux LVM or storage spaces, which `show` lists, are members of a set.

## Sources
Microsoft Learn, "Basic and dynamic disks"; util-linux, `include/pt-gpt-partnames.h`.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.model import Area, Rule

if TYPE_CHECKING:
    from verify.rules.model import Case, Tally


def judge(_case: Case, tally: Tally) -> None:
    """Say that nothing was examined."""
    tally.leave_out("this version does not judge whether the drive is a member of a set")


RULE = Rule(
    slug="drive-set",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing="this version does not judge it",
    page=cleandoc(__doc__),
)
