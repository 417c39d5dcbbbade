"""A recovery partition of the new drive is not of the type, or not at the place, it should be.

## What it compares
The type and the attributes of each partition that holds the recovery environment, on both drives;
and whether it lies right behind the system partition.

## Why it matters
With another type or without its attributes the partition gets a drive letter, and is filled or
removed. Right behind the system partition it can be made larger when an update needs room;
elsewhere it cannot.

## Levels
- `review`: type or attributes were right on the old drive and are not on the new one.
- `note`: they were wrong there as well; the partition is not right behind the system partition,
  and was on the old drive.

## What to do
Set the type and the attributes with a partitioning tool.

## Sources
Microsoft Learn, "UEFI/GPT-based hard drive partitions" and "BIOS/MBR-based hard drive partitions"
(type, attributes, place).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.matching.pairing import on_drive
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import FACTORY, is_recovery, is_reserved, name_of, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

# SPEC: Microsoft Learn, "UEFI/GPT-based hard drive partitions": GPT_ATTRIBUTE_PLATFORM_REQUIRED
# and GPT_BASIC_DATA_ATTRIBUTE_NO_DRIVE_LETTER.
_ATTRIBUTES = 0x8000_0000_0000_0001
_FOLDER = "/recovery/windowsre/"

_SET = say(
    "Give the partition the type and attributes it has on the old drive with a partitioning tool."
)
_PLACE = say("Nothing to do now; a later update may have no space to enlarge the partition.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every recovery partition of the target."""
    for old, new in case.matched:
        if not any(map(_holds_recovery, (old, new))):
            continue
        answer.compared()
        where = name_of(new)
        for fault, same in (
            (_type_fault, old.type == new.type),
            (_attribute_fault, (old.attributes ^ new.attributes) & _ATTRIBUTES == 0),
        ):
            faults = fault(case.source, old), fault(case.target, new)
            tell_fault(answer, Level.REVIEW, where, faults, _SET, partition=new.number, known=same)
        places = _place_fault(case.source, old), _place_fault(case.target, new)
        tell_fault(answer, Level.NOTE, where, places, _PLACE, partition=new.number)


def _holds_recovery(partition: Partition) -> bool:
    """Whether it is a recovery partition by type, or holds recovery and no system."""
    if is_recovery(partition):
        return True
    record = partition.boot
    if record is None or record.registry is not None:
        return False
    return any(item.path.lower().startswith(_FOLDER) for item in record.images)


def _type_fault(_header: Header, partition: Partition) -> Message | None:
    right = is_recovery(partition) or partition.type in FACTORY
    return (
        None
        if right
        else say("contains the recovery environment but does not have the recovery type")
    )


def _attribute_fault(header: Header, partition: Partition) -> Message | None:
    if header.table.scheme != "gpt" or partition.attributes & _ATTRIBUTES == _ATTRIBUTES:
        return None
    return say(
        'contains the recovery environment but lacks the attributes "required"'
        ' and "no drive letter"'
    )


def _place_fault(header: Header, partition: Partition) -> Message | None:
    """Say that it does not lie right behind a system partition, if there is one."""
    order = [item for item in on_drive(header) if not is_reserved(item)]
    systems = [item for item in order if item.boot and item.boot.registry]
    index = next(at for at, item in enumerate(order) if item.number == partition.number)
    if not systems or (index and order[index - 1] in systems):
        return None
    return say("is not directly after the system partition")


RULE = Rule(
    slug="recovery-place",
    area=Area.RECOVERY,
    required=False,
    judge=judge,
    nothing=say("neither drive has a recovery partition"),
    page=cleandoc(__doc__),
)
