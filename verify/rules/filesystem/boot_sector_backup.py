"""The copy of a boot sector or superblock is missing, or is not like the main one.

## What it compares
The copy that each filesystem of the new drive keeps of its own first structure: the last sector of
an NTFS volume, the sector that FAT32 names, the second boot region of exFAT, a superblock of a
later group of ext. The old drive's is looked at beside it.

## Why it matters
It is what a volume is repaired from when its first sector is lost. A clone that cut the partition
by a sector, or resized the volume by a tool that left the copy behind, has none.

## Levels
- `review`: the copy is missing or differs.
- `note`: the old drive has the same fault, or it alone.
- not examined: the copy could not be read.

A copy that differs in hidden sectors, free-space hints and state bits alone is no finding.

## What to do
Let the filesystem's own check write the copy anew (chkdsk, fsck), and check again.

## Sources
libfsntfs, "NTFS format"; Microsoft, FAT specification (BPB_BkBootSec) and exFAT specification
section 3.1; Linux kernel, Documentation/filesystems/ext4/super.rst (sparse_super).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem
    from verify.rules.rule import Case, RuleAnswer

_WRITE = say("Repair it with the system's own check (chkdsk, fsck), then check again.")
_GOOD = frozenset({"same", "moved_only"})
_STATES = {
    "same": say("same"),
    "moved_only": say("same"),
    "differs": say("differs"),
    "missing": say("missing"),
    "unread": say("not read"),
}


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the copy of every pair's filesystem."""
    for old, new in case.matched:
        backup = new.filesystem.backup
        if backup is None:
            continue
        if backup.state == "unread":
            reason = backup.detail or backup.place
            answer.leave_out(
                say(
                    "the backup boot sector of partition {number}: {reason}",
                    number=new.number,
                    reason=reason,
                )
            )
            continue
        answer.compared()
        old_backup = old.filesystem.backup
        tell_fault(
            answer,
            Level.REVIEW,
            say(
                "The backup boot sector of {partition}",
                partition=name_of(new, capital=False),
            ),
            (_fault(old.filesystem), _fault(new.filesystem)),
            _WRITE,
            partition=new.number,
            values=(_STATES[old_backup.state] if old_backup else None, _STATES[backup.state]),
            # NOTE: its place moves with the volume's end; what is wrong with it does not.
            known=old_backup is not None
            and (old_backup.state, old_backup.detail) == (backup.state, backup.detail),
        )


def _fault(filesystem: Filesystem) -> Message | None:
    backup = filesystem.backup
    if backup is None or backup.state == "unread" or backup.state in _GOOD:
        return None
    detail = say(": {detail}", detail=backup.detail) if backup.detail else ""
    if backup.state == "missing":
        return say("is missing (expected: {place}{detail})", place=backup.place, detail=detail)
    return say("differs from the boot sector ({place}{detail})", place=backup.place, detail=detail)


RULE = Rule(
    slug="boot-sector-backup",
    area=Area.FILESYSTEM,
    required=False,
    judge=judge,
    nothing=say("no filesystem with a backup boot sector is on both drives"),
    page=cleandoc(__doc__),
)
