"""A partition of the old drive is not on the new one.

## What it compares
Every partition of the old drive with the one of the new drive that it became: matched by its
unique GUID, else by the filesystem's identity, else by its place and kind.

## Why it matters
A clone made partition by partition forgets the small ones first, and a recovery or a maker's
partition is missed only when it is needed. The wipe makes it permanent.

## Levels
- `stop`: a partition has no counterpart on the new drive.
- `note`: a reserved one (Microsoft reserved, swap, a hibernation store) has none: nothing of it is
  lost, and the system makes another where it wants one.

## What to do
Clone the missing partition as well, and check again before the old drive is wiped.

## Sources
Arithmetic on both tables; Microsoft Learn, "UEFI/GPT-based hard drive partitions" (the reserved
partition holds no data).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_reserved, name_of, size_bytes
from verify.text.message import say
from verify.units import decimal_size

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_CLONE = say("Clone this partition too, then check again.")
_NOTHING_LOST = say("Nothing is lost: the system creates such a partition when it needs one.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Look for partitions of the source that have no counterpart."""
    if not any(pair.source for pair in case.pairs):
        answer.leave_out(
            say("the old drive's table names no partition, so nothing on it was compared")
        )
    for pair in case.pairs:
        old = pair.source
        if old is None:
            continue
        answer.compared()
        if pair.target is not None:
            continue
        level, advice = (Level.NOTE, _NOTHING_LOST) if is_reserved(old) else (Level.STOP, _CLONE)
        size = size_bytes(case.source, old)
        message = say(
            "{partition} of the old drive ({kind}, {size}) is missing on the new drive.",
            partition=name_of(old),
            kind=old.filesystem.kind,
            size=decimal_size(size),
        )
        answer.find(level, message, advice, partition=old.number, source=size)


RULE = Rule(
    slug="partition-missing",
    area=Area.PARTITION,
    required=True,
    judge=judge,
    nothing=say("the old drive has no partitions"),
    page=cleandoc(__doc__),
)
