"""A filesystem is larger than its partition, or ends long before it.

## What it compares
The size that each filesystem says it has with the size of the partition it lies in. On the new
drive, and beside it on the old one.

## Why it matters
A filesystem that reaches past its partition's end was cut: what lies there is lost, or will be
written over the next partition. It happens when the partition was shrunk and the filesystem was
not. The other way, the room behind the filesystem is of no use to anyone.

## Levels
- `stop`: the filesystem reaches past the end of its partition.
- `review`: it ends more than one cluster and one sector before it.
- `note`: the old drive has the same fault, or it alone.
- not examined: the filesystem does not tell its size.

## What to do
Past the end: clone the partition again into one that is large enough, or shrink the filesystem
first. Before the end: grow the filesystem into its partition with its own tool.

## Sources
libfsntfs, "NTFS format" (the copy of the boot sector stands behind the last counted sector); a
volume is made of whole clusters (arithmetic).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, sector_bytes, size_bytes, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_CUT = say(
    "Clone again into a partition that is large enough, or shrink the filesystem before cloning."
)
_GROW = say("If the space is needed, grow the filesystem with its own tool (diskpart, resize2fs).")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every pair's filesystem by its partition's size."""
    for old, new in case.matched:
        if new.filesystem.kind not in READABLE_KINDS:
            continue
        if new.filesystem.size_bytes is None:
            answer.leave_out(
                say(
                    "the size of the filesystem in partition {number} of the new drive is"
                    " not known",
                    number=new.number,
                )
            )
            continue
        answer.compared()
        subject = say("The filesystem in {partition}", partition=name_of(new, capital=False))
        values = old.filesystem.size_bytes, new.filesystem.size_bytes
        for level, fault, advice in (
            (Level.STOP, overrun, _CUT),
            (Level.REVIEW, slack, _GROW),
        ):
            faults = fault(case.source, old), fault(case.target, new)
            by = _off(case.source, old), _off(case.target, new)
            tell_fault(
                answer,
                level,
                subject,
                faults,
                advice,
                partition=new.number,
                values=values,
                # NOTE: it is off by other sizes wherever a partition was resized: no worse will do.
                known=by[1] <= by[0],
            )


def overrun(header: Header, partition: Partition) -> Message | None:
    """Say by how much a filesystem reaches past its partition, if it does."""
    more = (partition.filesystem.size_bytes or 0) - _room(header, partition)
    return (
        say("extends {more:,} bytes past the end of the partition", more=more) if more > 0 else None
    )


def _off(header: Header, partition: Partition) -> int:
    """Return how far a filesystem's end is from its partition's, in bytes."""
    return abs(_room(header, partition) - (partition.filesystem.size_bytes or 0))


def _room(header: Header, partition: Partition) -> int:
    """Return the bytes a filesystem may fill; within encryption, those of the view."""
    seen = partition.view
    return size_bytes(header, partition) if seen is None else seen.size_bytes


def slack(header: Header, partition: Partition) -> Message | None:
    """Say how long before its partition's end a filesystem ends, if by more than is usual."""
    filesystem = partition.filesystem
    if filesystem.size_bytes is None or filesystem.kind not in READABLE_KINDS:
        return None
    left = _room(header, partition) - filesystem.size_bytes
    usual = (filesystem.cluster_bytes or 0) + (filesystem.sector_bytes or sector_bytes(header))
    return (
        say("ends {left:,} bytes before the end of the partition", left=left)
        if left > usual
        else None
    )


RULE = Rule(
    slug="filesystem-span",
    area=Area.FILESYSTEM,
    required=True,
    judge=judge,
    nothing=say("no readable filesystem is on both drives"),
    page=cleandoc(__doc__),
)
