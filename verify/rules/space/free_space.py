"""A system or data volume of the new drive has little free space.

## What it compares
The free space of each volume of the new drive, counted from its own bitmap or file allocation
table, as a share of the filesystem's size; and the old drive's beside it.

## Why it matters
A volume that was shrunk to fit may have no room left for the next system update, and a full volume
is slow on flash and fragments on any drive. Nothing is lost, but the machine comes back.

## Levels
- `review`: under 5 % free.
- `note`: under 15 % free; or the old drive is under the same limit too.
- not examined: the filesystem does not tell its free space.

## What to do
Give the volume more of the drive, or take a larger drive; else let its owner clear room.

## Sources
Common practice, not a standard: technicians keep 10 to 20 % of a system volume free.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Rule
from verify.rules.shared import holds_data
from verify.rules.space.shares import judge_share
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_ROOM = say("Enlarge the volume, use a larger drive, or have the owner free up space.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every volume of the target that holds data."""
    for pair in case.pairs:
        if pair.target is not None and holds_data(case.target, pair.target):
            judge_share(answer, pair.source, pair.target, _ROOM)


RULE = Rule(
    slug="free-space",
    area=Area.SPACE,
    required=False,
    judge=judge,
    nothing=say("the new drive has no system or data volume that can be read"),
    page=cleandoc(__doc__),
)
