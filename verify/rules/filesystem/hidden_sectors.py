"""A boot sector records another start sector than its partition has.

## What it compares
The start sector that the boot sector of NTFS, FAT and exFAT records, with the real start of the
partition. On both drives.

## Why it matters
The boot code of a BIOS machine reads its next part by this number. A partition that was moved and
keeps the old number does not start. Filesystems themselves do not use it, and a machine that
starts by UEFI does not either.

## Levels
- `stop`: wrong on the active partition of the new MBR drive, and right on the old drive.
- `note`: wrong there on both drives, or on the old one alone; or wrong on another partition of the
  new drive that is right on the old one.

A logical partition may count from its own boot record instead of the drive's start; exFAT may keep
0, which says nothing.

## What to do
Rewrite the boot sector for the partition's present start with a tool of the system, then check
that the machine starts from the new drive alone.

## Sources
libfsntfs, "NTFS format" (the field; NTFS ignores it); Microsoft, exFAT specification section 3.1.4
(PartitionOffset; 0: to be ignored). That BIOS boot code reads by it: common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, start_bytes, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_WRITE = say(
    "Correct the boot sector with a partitioning tool or bootsect, then"
    " start from the new drive alone."
)
_HARMLESS = say("Nothing to do unless a boot menu starts a system from this partition.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the number of every pair's boot sector."""
    for old, new in case.matched:
        if new.filesystem.hidden_sectors is None:
            continue
        answer.compared()
        faults = _fault(case.source, old), _fault(case.target, new)
        active = case.target.table.scheme == "mbr" and new.active
        hidden = old.filesystem.hidden_sectors, new.filesystem.hidden_sectors
        known = faults[0] is not None and hidden[0] == hidden[1]
        if not active and (faults[1] is None or known):
            continue
        level, advice = (Level.STOP, _WRITE) if active else (Level.NOTE, _HARMLESS)
        tell_fault(
            answer,
            level,
            say("The boot sector in {partition}", partition=name_of(new, capital=False)),
            faults,
            advice,
            partition=new.number,
            values=hidden,
            known=known,
        )


def _fault(header: Header, partition: Partition) -> Message | None:
    hidden = partition.filesystem.hidden_sectors
    if hidden is None or (partition.filesystem.kind == "exfat" and not hidden):
        return None
    unit = partition.filesystem.sector_bytes or header.table.sector_bytes
    if hidden * unit in right_places(header, partition):
        return None
    before = start_bytes(header, partition) // unit
    return say(
        "records start sector {hidden}; it starts at {before}",
        hidden=hidden,
        before=before,
    )


def right_places(header: Header, partition: Partition) -> set[int]:
    """Return how many bytes may be said to be in front: from the drive's start, or the record."""
    places = {start_bytes(header, partition)}
    for entry in header.table.partitions:
        if entry.number == partition.number and entry.record_lba:
            places.add((partition.start_lba - entry.record_lba) * header.table.sector_bytes)
    return places


RULE = Rule(
    slug="hidden-sectors",
    area=Area.FILESYSTEM,
    required=False,
    judge=judge,
    nothing=say("no filesystem that records its start sector is on both drives"),
    page=cleandoc(__doc__),
)
