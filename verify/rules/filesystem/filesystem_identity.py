"""A filesystem has another serial number or UUID, or another label, on the new drive.

## What it compares
The serial number or UUID that each filesystem keeps, and its label, where both drives hold the
same kind, or kinds of one family.

## Why it matters
A Linux system finds its root and its mounts by UUID or label; programs and licences are bound to a
serial number. A copy of the filesystem keeps both; another identity says that the filesystem was
made anew and its files copied into it, or that it was changed after the clone.

## Levels
- `review`: another serial number or UUID.
- `note`: another label; another identity of a reserved partition (swap).
- not examined: the identity could not be read on one of the drives.

## What to do
Set the old identity on the new filesystem with its own tool, or see that everything that names it
was changed as well.

## Sources
The filesystems' own formats (NTFS and FAT volume serial number, exFAT VolumeSerialNumber, ext
s_uuid); fstab(5) (mounting by UUID and label).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_reserved, name_of, same_family
from verify.text.message import say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

_SET = say(
    "Give the filesystem its old identifier with its own tool, or change every file that names it."
)
_LABEL = say("Set the old label if anything looks for the volume by its label.")
_UNLABELLED = say("no label")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare the identity of every pair that holds one family of filesystem."""
    for old, new in case.matched:
        if not same_family(old.filesystem.kind, new.filesystem.kind):
            continue
        _judge_id(answer, old, new)
        _judge_label(answer, old, new)


def _judge_id(answer: RuleAnswer, old: Partition, new: Partition) -> None:
    ids = old.filesystem.id, new.filesystem.id
    if None in ids:
        lacks = new if ids[1] is None else old
        if ids != (None, None) or lacks.filesystem.unread:
            drive = NEW if lacks is new else OLD
            answer.leave_out(
                say(
                    "partition {number} of the {drive} drive has no identifier",
                    number=lacks.number,
                    drive=drive,
                )
            )
        return
    answer.compared()
    if ids[0] != ids[1]:
        level = Level.NOTE if is_reserved(old) else Level.REVIEW
        message = say(
            "The {kind} in {partition} has the identifier {new} on the new drive,"
            " {old} on the old one.",
            kind=new.filesystem.kind,
            partition=name_of(new, capital=False),
            new=ids[1] or "",
            old=ids[0] or "",
        )
        answer.find(level, message, _SET, partition=new.number, source=ids[0], target=ids[1])


def _judge_label(answer: RuleAnswer, old: Partition, new: Partition) -> None:
    if any(side.filesystem.label is None and side.filesystem.unread for side in (old, new)):
        return  # it may have one that could not be read
    labels = old.filesystem.label or "", new.filesystem.label or ""
    if labels[0] != labels[1]:
        said = [label or _UNLABELLED for label in labels]
        message = say(
            "The {kind} in {partition} has a different label on the new drive: {new}"
            " instead of {old}.",
            kind=new.filesystem.kind,
            partition=name_of(new, capital=False),
            new=said[1],
            old=said[0],
        )
        answer.find(
            Level.NOTE, message, _LABEL, partition=new.number, source=labels[0], target=labels[1]
        )


RULE = Rule(
    slug="filesystem-identity",
    area=Area.FILESYSTEM,
    required=True,
    judge=judge,
    nothing=say("no filesystem of the same kind with an identifier is on both drives"),
    page=cleandoc(__doc__),
)
