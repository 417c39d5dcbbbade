"""The old drive was written to after the clone was made.

## What it compares
For every pair of partitions: files on both sides whose modification time is later on the old
drive; the times of the last write, unless it was resized, and of the last
mount that an ext filesystem keeps; the time and number of the last write in the base block of the
Windows system registry; how far the log of an NTFS volume is, where both have its serial number and
nobody resized it; and how far its journal of changes (USN) is, where both have the same journal.

## Why it matters
What was written to the old drive after the clone is nowhere else. It usually means that the
machine was started from the old drive once more, or that the clone was made while it ran. After the
clone the old drive should stay unattached until it is identified and wiped.

Each volume tells when it was copied: the newest time that both drives share, or that a version has
which the old drive has replaced since; times that the check itself has not reached are wrong ones
and count for nothing, nor do a boot store and recovery configuration, and the folders that a system
makes on any volume it sees. What is newer than that moment on the old drive alone was written
there later, and is gathered here: one finding a volume. Times of change, which nobody sets, are
gone by; where most files do not share them, modification times are. Where most files share
neither (a copy made file by file), no moment can be told, and the rules on files say what differs.

Beside the times of its files, a volume keeps when the newest note in NTFS's journal of changes was
made and when the system's registry was last written. Where these are newer than all its files, the
copy was made then: what a person wrote in between is missing from it as after a copy part by part,
and is reported file by file. A later mount (ext), note or registry on the new drive says that it
was used. An ext superblock is also written by whoever resizes, checks or attaches the volume: its
time is recorded but does not count; the log of NTFS keeps no times. FAT and exFAT keep none of
these.

A name that is on the old drive alone counts as put there later only if its folder was written later
as well: a name that a clone lost leaves its folder's time as it is. FAT and exFAT folders do not
tell, nor does the root of a volume. On FAT and exFAT, which keep no time of change, a creation time
counts like one of modification: a file that is copied in keeps the date that it had.

## Levels
- `review`: a person's work was changed or created there: documents, pictures, mail, projects,
  databases, settings of the system.
- `note`: only a system or programs wrote there (logs, caches, thumbnails, locks, sessions,
  histories), or names were moved or deleted; or nothing is known file by file.

A file counts as newer from more than two seconds on, the step in which FAT keeps times.

## What to do
Look through the findings on files. Copy over what is newer on the old drive, or clone again.

## Sources
Linux kernel Documentation/filesystems/ext4/super.rst (`s_wtime`); FAT's step of two seconds:
Microsoft, "FAT: General Overview of On-Disk Format" (cited from memory). The registry's base block:
open descriptions of the REGF format; the log's sequence number: libfsntfs, "NTFS format", as is
the change journal.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Rule
from verify.rules.usage import tell_later_use
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_ADVICE = say(
    "Read the findings about files: whatever is newer on the old drive exists only there."
)

_COPY = say("Copy what a person changed there from the old drive, or clone again.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Look for signs of later use of the old drive."""
    tell_later_use(case, answer, "source", _ADVICE, _COPY)


RULE = Rule(
    slug="source-used-since",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing=say("no partition is on both drives"),
    page=cleandoc(__doc__),
)
