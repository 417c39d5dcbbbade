"""The partition that starts the system is small, or has little free space.

## What it compares
The size and the free space of the new drive's EFI system partition, or of a small active partition
on an MBR drive; and the old drive's beside them.

## Why it matters
Firmware updates, a second system and new boot loaders need room there. It can hardly grow later,
since the system partition stands behind it.

## Levels
- `review`: under 5 % free.
- `note`: under 15 % free; smaller than the maker's minimum (EFI system 200 MB, 260 MB on sectors of
  4,096 bytes, active partition 100 MB); or the old drive has the same fault too.
- not examined: the filesystem does not tell its free space.

## What to do
Make it larger now if the machine is to be kept for years: afterwards it means moving others.

## Sources
Microsoft Learn, "UEFI/GPT-based hard drive partitions" and "BIOS/MBR-based hard drive partitions"
(minimum sizes; an edition of 2017 asked for 100 MB); the shares are common practice. A MB is taken
as 1,048,576 bytes.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import (
    is_boot_partition,
    is_efi_system,
    name_of,
    sector_bytes,
    size_bytes,
    tell_fault,
)
from verify.rules.space.shares import judge_share
from verify.text.message import Message, say
from verify.units import MIB, decimal_size

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

# SPEC: see the page's sources.
_EFI_SYSTEM_MIB = {512: 200, 4096: 260}
_ACTIVE_MIB = 100

_ROOM = say("Enlarge it while the drive is on the bench, or remove unused loaders.")
_LARGER = say("Enlarge it while the drive is on the bench if the computer will be kept for years.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every partition of the target that only starts the system."""
    for pair in case.pairs:
        old, new = pair.source, pair.target
        if new is None or not is_boot_partition(case.target, new):
            continue
        if new.filesystem.kind not in READABLE_KINDS:
            continue
        judge_share(answer, old, new, _ROOM)
        fault = _small(case.target, new)
        if fault is not None:
            tell_fault(
                answer,
                Level.NOTE,
                name_of(new),
                (_small(case.source, old) if old else None, fault),
                _LARGER,
                partition=new.number,
                values=(
                    size_bytes(case.source, old) if old else None,
                    size_bytes(case.target, new),
                ),
            )


def _small(header: Header, partition: Partition) -> Message | None:
    least = _ACTIVE_MIB
    if is_efi_system(partition):
        least = _EFI_SYSTEM_MIB.get(sector_bytes(header), _EFI_SYSTEM_MIB[512])
    size = size_bytes(header, partition)
    if size >= least * MIB:
        return None
    return say(
        "has {size}, less than the maker's minimum of {minimum} ({least} MiB)",
        size=decimal_size(size),
        minimum=decimal_size(least * MIB),
        least=least,
    )


RULE = Rule(
    slug="free-space-boot",
    area=Area.SPACE,
    required=False,
    judge=judge,
    nothing=say("the new drive has no readable partition that only starts the system"),
    page=cleandoc(__doc__),
)
