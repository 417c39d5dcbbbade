"""The machine code that a BIOS starts is missing on the new drive, or is other code.

## What it compares
Whether there is code in sector 0 and in the active partition's boot sector, on both drives, and
whether it is the same code; where the loader goes on behind that sector (15 more of NTFS, sectors 2
and 12 of FAT32), that too. For GRUB: the core image, by the sectors that its boot sector names. The
tables and numbers around the code are left out. Only where either
drive starts a system by BIOS.

## Why it matters
A clone of partitions alone leaves sector 0 as the partitioning tool made it. The BIOS then finds
no code there, and the drive does not start, with every file in place.

## Levels
- `stop`: the old drive has code there, the new one has none; GRUB's core image is not where its
  boot sector names it, or is emptied.
- `review`: both have code, and it differs; code is missing on a drive on which no loader was found.
- `note`: neither has code.
- not examined: code that was not read on both drives.

## What to do
Let a tool of the system write its boot code on the new drive, and start from it alone.

## Sources
UEFI 2.10 section 5.2.1 (where the code lies in sector 0); docs/formats for boot sectors; GRUB 2.06,
include/grub/i386/pc/boot.h. The loader's further sectors: common practice.
"""

from __future__ import annotations

from dataclasses import replace
from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot import grub
from verify.rules.boot.resolve import any_starts
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import BIOS_BOOT, name_of, needs_no_flag, starts_by_bios, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.boot.boot_record import BootCode
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_WRITE = say(
    "Rewrite the boot code on the new drive with the system's own tool"
    " (bootrec, grub-install); then see that the computer starts from it"
    " alone."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge sector 0, then the active partition's boot sector."""
    headers = case.source, case.target
    if not any(map(_runs_code, headers)):
        return
    # NOTE: a drive may be active without a loader that is known here; then a person decides.
    level = Level.STOP if any_starts(case) else Level.REVIEW
    empty = [header.table.mbr.boot_code_zero if header.table.mbr else None for header in headers]
    if None in empty:
        answer.leave_out(say("the code in sector 0 was not read on both drives"))
    else:
        codes = case.source.boot_code, case.target.boot_code
        present = not empty[0], not empty[1]
        _judge_code(answer, level, say("The code in sector 0"), (present, codes), None)
    grub.judge(case, answer)
    # NOTE: a loader of its own in sector 0 starts no boot sector of a partition.
    passes_on = not all(map(needs_no_flag, headers))
    for old, new in case.matched if passes_on else ():
        if not (old.active or new.active):
            continue
        first, second = (side.boot.code if side.boot else None for side in (old, new))
        if first is None or second is None:
            answer.leave_out(
                say(
                    "the boot sector of partition {number} was not read on both drives",
                    number=new.number,
                )
            )
            continue
        where = say(
            "The code in the boot sector of {partition}", partition=name_of(new, capital=False)
        )
        present = first.present, second.present
        _judge_code(answer, level, where, (present, (first, second)), new.number)
        _judge_further(answer, level, (first, second), new)


def _runs_code(header: Header) -> bool:
    """Whether a BIOS would run code of this drive."""
    return starts_by_bios(header) or any(item.type == BIOS_BOOT for item in header.partitions)


def _judge_further(
    answer: RuleAnswer, level: Level, codes: tuple[BootCode, BootCode], new: Partition
) -> None:
    """Judge the loader's sectors behind the boot sector."""
    present = codes[0].further_present, codes[1].further_present
    if present == (None, None):
        return
    if present[0] is None or present[1] is None:
        answer.leave_out(
            say(
                "the sectors after the boot sector of partition {number}, where its"
                " loader continues, were not read on both drives",
                number=new.number,
            )
        )
        return
    where = say(
        "The loader code after the boot sector of {partition}",
        partition=name_of(new, capital=False),
    )
    if not any(present):
        return
    old, other = (replace(code, digest=code.further_digest or "") for code in codes)
    _judge_code(answer, level, where, ((present[0], present[1]), (old, other)), new.number)


def _judge_code(
    answer: RuleAnswer,
    level: Level,
    subject: Message,
    sides: tuple[tuple[bool, bool], tuple[BootCode | None, BootCode | None]],
    partition: int | None,
) -> None:
    present, codes = sides
    answer.compared()
    faults = tuple(None if there else say("is missing (all zeros)") for there in present)
    tell_fault(answer, level, subject, (faults[0], faults[1]), _WRITE, partition=partition)
    if not all(present):
        return
    if codes[0] is None or codes[1] is None:
        answer.leave_out(say("it was not recorded whether the code in sector 0 is the same"))
    elif codes[0].digest != codes[1].digest:
        answer.find(
            Level.REVIEW,
            say("{subject} differs between the drives.", subject=subject),
            say("Start the computer from the new drive alone."),
            partition=partition,
            source=codes[0].digest,
            target=codes[1].digest,
        )


RULE = Rule(
    slug="boot-code",
    area=Area.BOOT,
    required=False,
    judge=judge,
    nothing=say("neither drive is started by a BIOS"),
    page=cleandoc(__doc__),
)
