"""A partition has a different type on the new drive.

## What it compares
The type in the table: a GUID on a GPT drive, two hex digits on an MBR drive. Where the two drives
have different kinds of table, the part a type plays: EFI system, recovery, reserved, or any other.

## Why it matters
The firmware looks for the EFI system partition by its type, Windows hides a recovery partition by
it, and a Linux system may find its root by it. A tool that makes partitions and copies files often
gives every one the type of ordinary data.

## Levels
- `stop`: an EFI system partition is not one any more.
- `review`: any other change.
- `note`: between MBR types that differ in the addressing of the same filesystem (0B and 0C, 06 and
  0E); of a reserved partition that stays reserved.

## What to do
Set the type of the old drive with a partitioning tool, and check again.

## Sources
UEFI 2.10 sections 5.2.2 and 5.3.3; Microsoft Learn, "PARTITION_INFORMATION_GPT"; util-linux,
include/pt-mbr-partnames.h.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import (
    is_efi_system,
    is_recovery,
    is_reserved,
    name_of,
)
from verify.table.type_names import type_words
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

# SPEC: util-linux, include/pt-mbr-partnames.h: FAT32 and FAT32 (LBA), FAT16 and FAT16 (LBA).
_ADDRESSING = (frozenset({"0B", "0C"}), frozenset({"06", "0E"}))

_SET = say(
    "Give the partition the type it has on the old drive with a partitioning"
    " tool, then check again."
)
_ALIKE = say("Nothing to do: systems treat both types alike.")
_RESERVED = say("Nothing to do: the contents of a reserved partition do not matter.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare every pair's types, or the parts they play where the tables are of two kinds."""
    schemes = case.source.table.scheme, case.target.table.scheme
    if "none" in schemes:
        return
    for old, new in case.matched:
        answer.compared()
        if schemes[0] != schemes[1]:
            if _part(old) == _part(new):
                continue
        elif old.type == new.type:
            continue
        level, advice = _weigh(old, new)
        message = say(
            "{partition} has the type {new} on the new drive, {old} on the old one.",
            partition=name_of(new),
            new=new.type,
            old=_said(old),
        )
        answer.find(level, message, advice, partition=new.number, source=old.type, target=new.type)


def _part(partition: Partition) -> str:
    if is_efi_system(partition):
        return "efi-system"
    if is_recovery(partition):
        return "recovery"
    return "reserved" if is_reserved(partition) else "other"


def _weigh(old: Partition, new: Partition) -> tuple[Level, Message]:
    if is_efi_system(old) and not is_efi_system(new):
        return Level.STOP, _SET
    if any({old.type, new.type} <= kinds for kinds in _ADDRESSING):
        return Level.NOTE, _ALIKE
    reserved = is_reserved(old) and is_reserved(new)
    return (Level.NOTE, _RESERVED) if reserved else (Level.REVIEW, _SET)


def _said(partition: Partition) -> str:
    if not partition.type_name:
        return partition.type
    return say("{type} ({name})", type=partition.type, name=type_words(partition.type_name))


RULE = Rule(
    slug="partition-type",
    area=Area.PARTITION,
    required=True,
    judge=judge,
    nothing=say("no partition with a type is on both drives"),
    page=cleandoc(__doc__),
)
