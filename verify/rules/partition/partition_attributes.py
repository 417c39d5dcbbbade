"""A partition lost or gained attributes on the new drive.

## What it compares
The 64 attribute bits of each GPT entry; the active flag of each MBR record. Only where both drives
have the same kind of table.

## Why it matters
Two bits keep a recovery partition from a drive letter and from being deleted; without them a user
sees it, and fills or removes it. A BIOS starts the partition that is active.

## Levels
- `stop`: the old drive has an active partition, the new one has none.
- `review`: another partition is active; attributes of a protected partition (EFI system, recovery,
  a maker's own) changed; required, no block IO, BIOS bootable or read-only changed on any.
- `note`: other bits of a data or reserved partition changed.

## What to do
Set the old drive's attributes or active flag with a partitioning tool, and check again.

## Sources
UEFI 2.10 sections 5.2.1 and 5.3.3 (bits 48 to 63 must be preserved); Microsoft Learn,
"PARTITION_INFORMATION_GPT" (bits 60 to 63).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_protected, is_reserved, name_of
from verify.text.message import Message, all_of, joined, say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

# SPEC: UEFI 2.10 section 5.3.3 (0 to 2); Microsoft Learn, "PARTITION_INFORMATION_GPT" (60 to 63).
_NAMES = {
    0: say('"required"'),
    1: say('"no block IO"'),
    2: say('"BIOS bootable"'),
    60: say('"read-only"'),
    61: say('"shadow copy"'),
    62: say('"hidden"'),
    63: say('"no drive letter"'),
}
_GRAVE = frozenset({0, 1, 2, 60})

_SET = say(
    "Give the partition the attributes it has on the old drive with a"
    " partitioning tool, then check again."
)
_ACTIVE = say("Set the active flag as on the old drive with a partitioning tool, then check again.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare every pair's bits, or active flags."""
    scheme = case.source.table.scheme
    if scheme != case.target.table.scheme or scheme == "none":
        return
    for old, new in case.matched:
        answer.compared()
        if scheme == "mbr":
            _judge_active(case, answer, old, new)
        elif old.attributes != new.attributes:
            _tell_bits(answer, old, new)


def _judge_active(case: Case, answer: RuleAnswer, old: Partition, new: Partition) -> None:
    if old.active == new.active:
        return
    if old.active:
        any_active = any(item.active for item in case.target.partitions)
        level = Level.REVIEW if any_active else Level.STOP
        message = say(
            "{partition} is active on the old drive, but not on the new one.",
            partition=name_of(new),
        )
    else:
        level = Level.REVIEW
        message = say(
            "{partition} is active on the new drive, but not on the old one.",
            partition=name_of(new),
        )
    answer.find(level, message, _ACTIVE, partition=new.number, source=old.active, target=new.active)


def _tell_bits(answer: RuleAnswer, old: Partition, new: Partition) -> None:
    lost = _bits(old.attributes & ~new.attributes)
    gained = _bits(new.attributes & ~old.attributes)
    protected = is_protected(old) or is_protected(new)
    grave = not is_reserved(old) and (protected or not _GRAVE.isdisjoint((*lost, *gained)))
    words = [say("lost {names}", names=_named(lost))] if lost else []
    words += [say("gained {names}", names=_named(gained))] if gained else []
    message = say(
        "The attributes of {partition} changed: {words}.",
        partition=name_of(new, capital=False),
        words=all_of(words),
    )
    answer.find(
        Level.REVIEW if grave else Level.NOTE,
        message,
        _SET,
        partition=new.number,
        source=f"{old.attributes:016X}",
        target=f"{new.attributes:016X}",
    )


def _named(bits: tuple[int, ...]) -> Message:
    return joined(_NAMES.get(bit) or say("bit {number}", number=bit) for bit in bits)


def _bits(mask: int) -> tuple[int, ...]:
    return tuple(bit for bit in range(64) if mask >> bit & 1)


RULE = Rule(
    slug="partition-attributes",
    area=Area.PARTITION,
    required=True,
    judge=judge,
    nothing=say("the drives have no attributes that can be compared"),
    page=cleandoc(__doc__),
)
