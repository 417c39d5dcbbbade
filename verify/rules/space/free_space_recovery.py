"""A recovery partition of the new drive has little free space.

## What it compares
The free space of each partition of the new drive that has a recovery partition's type, with what
its maker asks for; and the old drive's beside it.

## Why it matters
An update of the recovery environment needs room beside the old image. Without it the update fails,
month after month, with a number that tells nobody why.

## Levels
- `note`: less than 250 MB free, which updates of the recovery environment need; less than 52 MB,
  the maker's minimum.
- not examined: the filesystem does not tell its free space.

## What to do
Make the partition larger now: afterwards it means moving others.

## Sources
Microsoft, support article KB5046916 (250 MB free for updates); Microsoft Learn, "UEFI/GPT-based
hard drive partitions" (52 MB at least, 250 MB recommended; the text was read in translation). A MB
is taken as 1,048,576 bytes.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_recovery, name_of, tell_fault
from verify.text.message import Message, say
from verify.units import MIB, decimal_size

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

# SPEC: see the page's sources.
_MINIMUM_MIB = 52
UPDATE_MIB = 250

_LARGER = say("Enlarge the partition while the drive is on the bench.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every recovery partition of the target."""
    for pair in case.pairs:
        new = pair.target
        if new is None or not is_recovery(new) or new.filesystem.kind not in READABLE_KINDS:
            continue
        if new.filesystem.free_bytes is None:
            answer.leave_out(
                say(
                    "the free space of partition {number} of the new drive is not known",
                    number=new.number,
                )
            )
            continue
        answer.compared()
        old = pair.source
        fault = _fault(new)
        if fault is not None:
            tell_fault(
                answer,
                Level.NOTE,
                name_of(new),
                (_fault(old) if old else None, fault),
                _LARGER,
                partition=new.number,
                values=(old.filesystem.free_bytes if old else None, new.filesystem.free_bytes),
            )


def _fault(partition: Partition) -> Message | None:
    free = partition.filesystem.free_bytes
    if free is None or free >= UPDATE_MIB * MIB:
        return None
    if free < _MINIMUM_MIB * MIB:
        return say(
            "has {size} free, less than the maker's minimum of {minimum} ({least} MiB)",
            size=decimal_size(free),
            minimum=decimal_size(_MINIMUM_MIB * MIB),
            least=_MINIMUM_MIB,
        )
    return say(
        "has {size} free; updates need {least} ({needed} MiB)",
        size=decimal_size(free),
        least=decimal_size(UPDATE_MIB * MIB),
        needed=UPDATE_MIB,
    )


RULE = Rule(
    slug="free-space-recovery",
    area=Area.SPACE,
    required=False,
    judge=judge,
    nothing=say("the new drive has no recovery partition that can be read"),
    page=cleandoc(__doc__),
)
