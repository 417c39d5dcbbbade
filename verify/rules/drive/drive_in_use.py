"""A drive was in use, or changed, while it was being read.

## What it compares
Whether a filesystem of the drive was mounted for writing while it was read, and whether its
partition table was the same at the end of the reading as at its start. Both drives.

## Why it matters
A drive that is written to while it is read gives a picture of no single moment: a file may be
listed before it was deleted and hashed after it was replaced. What differs afterwards may be the
clone's fault or the reading's.

## Levels
- `review`: mounted for writing, or changed while read, on either drive.
- `note`: a partition's files were read from a snapshot.

A mount for reading only is no finding. A partition that was read from a snapshot (`--source-view`)
has the files of one moment, which a `note` says; the drive around it was in use all the same.

## What to do
Unmount the drive, or start the machine from another one, and check again.

## Sources
Common practice; NIST SP 800-86 section 3.1.2 (write-blocking while reading; cited from memory).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.text.message import Message, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Case, RuleAnswer

_MOUNTED = say("was mounted read-write while it was read")
_CHANGED = say("changed while it was read: its partition table was different at the end")
_AGAIN = say("Unmount the drive, or start from another drive, and check again.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Look at what each drive was doing while it was read."""
    old, new = case.source.drive, case.target.drive
    answer.compared(2)
    _tell(answer, _MOUNTED, old.mounted_writable, new.mounted_writable)
    _tell(answer, _CHANGED, old.changed_while_read, new.changed_while_read)
    for name, header in zip((OLD, NEW), (case.source, case.target), strict=True):
        _tell_snapshots(answer, name, header)


def _tell_snapshots(answer: RuleAnswer, name: Message, header: Header) -> None:
    for partition in header.partitions:
        if (snapshot := partition.snapshot) is not None:
            message = say(
                "The files in partition {number} of the {name} drive were read from a snapshot"
                " ({path}).",
                number=partition.number,
                name=name,
                path=snapshot.path,
            )
            advice = say("Make sure that the snapshot was taken when the drive was cloned.")
            answer.find(Level.NOTE, message, advice, partition=partition.number)


def _tell(answer: RuleAnswer, what: Message, *sides: bool) -> None:
    for name, affected in zip((OLD, NEW), sides, strict=True):
        if affected:
            message = say("The {name} drive {what}.", name=name, what=what)
            answer.find(Level.REVIEW, message, _AGAIN, source=sides[0], target=sides[1])


RULE = Rule(
    slug="drive-in-use",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing=say("there was nothing to check"),
    page=cleandoc(__doc__),
)
