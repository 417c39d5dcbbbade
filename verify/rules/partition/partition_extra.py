"""The new drive has a partition that the old one does not have.

## What it compares
Every partition of the new drive with the one of the old drive that it came from: matched by its
unique GUID, else by the filesystem's identity, else by its place and kind.

## Why it matters
Nothing of the old drive is lost by it. It may be what a used drive held before, and that may be
another customer's data; or it may be a partition whose identity changed so much that it was not
recognised, and then `partition-missing` says so for the other side.

## Levels
- `note`: a partition has no counterpart on the old drive.
- `review`: and a fit was given, which declares no such partition.

## What to do
Look what it holds. If nobody made it on purpose, find out where the new drive came from.

## Sources
Arithmetic on both tables.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, size_bytes
from verify.text.message import say
from verify.units import decimal_size

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_LOOK = say(
    "Look at what is in it; if nobody made it on purpose, find out what was on the drive before."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Look for partitions of the target that came from nowhere."""
    for pair in case.pairs:
        new = pair.target
        if new is None:
            continue
        answer.compared()
        if pair.source is not None:
            continue
        size = size_bytes(case.target, new)
        message = say(
            "{partition} of the new drive ({kind}, {size}) has no counterpart on the old drive.",
            partition=name_of(new),
            kind=new.filesystem.kind,
            size=decimal_size(size),
        )
        level = Level.NOTE if case.declared is None else Level.REVIEW
        answer.find(level, message, _LOOK, partition=new.number, target=size)


RULE = Rule(
    slug="partition-extra",
    area=Area.PARTITION,
    required=False,
    judge=judge,
    nothing=say("the new drive has no partitions"),
    page=cleandoc(__doc__),
)
