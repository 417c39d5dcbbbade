"""The drives count in sectors of different sizes, or a table or filesystem does not fit its drive.

## What it compares
The logical sector size of both drives (512 or 4,096 bytes); the size in which each drive's
partition table was written; and, on the target, the sector size each filesystem was made for.

## Why it matters
Every place in a table and in a boot sector is a number of sectors. Copied to a drive that counts
in others, each of them points at one eighth or eight times the distance: the table is not found,
or the filesystem is not mounted. It happens when an adapter claims other sectors than the drive
inside it, and when a drive with 4,096-byte sectors replaces one with 512.

## Levels
- `stop`: the target's table is written in other sectors than the drive itself has; a filesystem
  on the target was made for other sectors than the target has.
- `review`: the two drives' sector sizes differ and every filesystem fits; the target's table does
  not fit what an adapter claims (the adapter may be wrong); an image whose table is written in
  sectors of an unusual size.
- `note`: the old drive has the same fault, or it alone.

## What to do
Attach the new drive directly, without the adapter, and check again. If the finding stays, clone
again with the drive attached directly, to a drive with the same logical sectors, or file by file
into filesystems made on the new drive.

## Sources
UEFI 2.10 section 5.3 (places are logical blocks); Microsoft Learn, "Advanced format (4K) disk
compatibility update"; the FAT and NTFS boot sectors' own bytes-per-sector field. That a system
mounts a volume only in the sectors it was made for, or larger blocks: common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, sector_bytes, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_DIRECTLY = say("Attach the new drive directly, without an adapter, and check again.")
_REMAKE = say(
    "Clone to a drive with the same logical sector size, or format it and copy the files."
)
_LOOK = say("Check that the computer can start from this sector size (4,096 bytes: UEFI only).")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare the drives' sectors, each table's with its drive's, and each filesystem's."""
    old, new = case.source, case.target
    answer.compared()
    if old.table.written_for or new.table.written_for:
        _tell_contradiction(case, answer)
        return
    sizes = old.drive.sector_bytes, new.drive.sector_bytes
    if sizes[0] != sizes[1]:
        message = say(
            "The old drive has sectors of {old_size:,} bytes, the new one of {new_size:,} bytes.",
            old_size=sizes[0],
            new_size=sizes[1],
        )
        answer.find(Level.REVIEW, message, _LOOK, source=sizes[0], target=sizes[1])
    for source, target in case.matched:
        _judge_filesystem(case, answer, source, target)


def misfit(header: Header, filesystem: Filesystem) -> int | None:
    """Return the sector size a filesystem was made for, where its drive has another."""
    sectors = sector_bytes(header)
    if header.drive.kind == "image" and header.table.scheme == "none":
        return None  # nothing tells an image's sectors but the filesystem itself
    if filesystem.traits.sectors == "up to a block":
        block = filesystem.cluster_bytes
        return block if block is not None and block < sectors else None
    made_for = filesystem.sector_bytes
    return made_for if made_for is not None and made_for != sectors else None


def _tell_contradiction(case: Case, answer: RuleAnswer) -> None:
    """Tell in one finding that a table is written in other sectors than its drive has."""
    words = tuple(_contradiction(header) for header in (case.source, case.target))
    new = case.target
    adapter = new.drive.kind == "image" or new.drive.bus == "usb"
    unfit = any(misfit(new, item.filesystem) for item in new.partitions)
    level = Level.REVIEW if adapter and not unfit else Level.STOP
    values = case.source.table.sector_bytes, new.table.sector_bytes
    tell_fault(
        answer, level, say("The partition table"), (words[0], words[1]), _DIRECTLY, values=values
    )


def _contradiction(header: Header) -> Message | None:
    written = header.table.written_for
    if not written:
        return None
    if header.drive.kind == "image":
        return say(
            "is written for sectors of {written:,} bytes, which is unusual for an image",
            written=written,
        )
    has = header.drive.sector_bytes
    return say(
        "is written for sectors of {written:,} bytes, but the drive reports {has:,} bytes",
        written=written,
        has=has,
    )


def _judge_filesystem(case: Case, answer: RuleAnswer, source: Partition, target: Partition) -> None:
    sides = (case.source, source.filesystem), (case.target, target.filesystem)
    old, new = (misfit(*side) for side in sides)
    if source.filesystem.sector_bytes or target.filesystem.sector_bytes:
        answer.compared()
    words = tuple(
        None
        if made_for is None
        else say(
            "was formatted for sectors of {made_for:,} bytes, not {has:,}",
            made_for=made_for,
            has=has,
        )
        for made_for, has in ((old, sector_bytes(case.source)), (new, sector_bytes(case.target)))
    )
    subject = say("The filesystem in {partition}", partition=name_of(target, capital=False))
    faults = words[0], words[1]
    tell_fault(
        answer, Level.STOP, subject, faults, _REMAKE, partition=target.number, values=(old, new)
    )


RULE = Rule(
    slug="sector-size",
    area=Area.DRIVE,
    required=True,
    judge=judge,
    nothing=say("there are no sector sizes to compare"),
    page=cleandoc(__doc__),
)
