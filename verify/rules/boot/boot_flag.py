"""The active flag of the new MBR drive is not on the one partition that starts the machine.

## What it compares
How many partitions of the new drive are active, and whether the active one became of the old
drive's active one. Only where either drive is an MBR drive that starts a system by BIOS.

## Why it matters
The boot code in sector 0 starts the active partition. With none, or with two, it stops with a
message; with another one, it starts what lies there.

## Levels
- `stop`: the old drive has one active partition, and the new one none, several or another one.
- `review`: the same, where the code in sector 0 is a loader that asks for no flag (GRUB, LILO), or
  no loader was found on either drive.
- `note`: it was on the same partitions of the old drive; only the new drive is right.

## What to do
Make the partition that holds the loader active, and no other, with a partitioning tool.

## Sources
UEFI 2.10 section 5.2.1 (the boot indicator); Microsoft Learn, "BIOS/MBR-based hard drive
partitions"; that the usual boot code refuses two active partitions: common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import any_starts
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import needs_no_flag, starts_by_bios, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_SET = say(
    "Set the active flag on the partition with the loader, and on no other,"
    " with a partitioning tool."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the flags of the target."""
    by_bios = starts_by_bios(case.source) or starts_by_bios(case.target)
    if case.target.table.scheme != "mbr" or not by_bios:
        return
    answer.compared()
    # NOTE: firmware may insist on the flag even where the loader does not.
    decides = any_starts(case) and not needs_no_flag(case.target)
    old, new = active(case.source), active(case.target)
    faults = _fault(old), _fault(new)
    if case.source.table.scheme != "mbr":
        faults = None, faults[1]
    if faults == (None, None) and old and _became(case, old) != {new[0].number}:
        text = say(
            "is set on partition {number}, which is not the old drive's active partition",
            number=new[0].number,
        )
        faults = None, text
    known = _became(case, old) == {item.number for item in new}
    if known and not decides:
        return
    tell_fault(
        answer,
        Level.STOP if decides else Level.REVIEW,
        say("The active flag"),
        faults,
        _SET,
        partition=new[0].number if new else None,
        values=(_numbers(old), _numbers(new)),
        known=known,
    )


def active(header: Header) -> list[Partition]:
    """Return the partitions with the active flag."""
    return [item for item in header.partitions if item.active]


def _became(case: Case, old: list[Partition]) -> set[int | None]:
    """Return the numbers that partitions of the source have on the target, `None` for gone ones."""
    targets = {pair.source.number: pair.target for pair in case.pairs if pair.source}
    # NOTE: extended partitions are matched with none, and keep their number.
    kept = {item.number for item in old if item.number not in targets}
    found = (targets[item.number] for item in old if item.number in targets)
    return kept | {None if target is None else target.number for target in found}


def _fault(found: list[Partition]) -> Message | None:
    if len(found) == 1:
        return None
    return (
        say("is set on {count} partitions", count=len(found))
        if found
        else say("is not set on any partition")
    )


def _numbers(found: list[Partition]) -> str:
    return ", ".join(str(item.number) for item in found) or say("none")


RULE = Rule(
    slug="boot-flag",
    area=Area.BOOT,
    required=True,
    judge=judge,
    nothing=say("neither drive is started by a BIOS through the active flag"),
    page=cleandoc(__doc__),
)
