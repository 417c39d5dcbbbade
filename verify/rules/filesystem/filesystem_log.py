"""The filesystem's log holds changes that are not yet in the filesystem: the listing may be stale.

## What it compares
The logs of NTFS (the restart pages of $LogFile) and ext (whether the journal needs recovery) on
both drives: whether changes wait in them that their system would write out at the next mount.

## Why it matters
This tool reads what stands in the filesystem's tables and never writes out a log, since that
would be a change to the drive. After a power failure, or on a running system, the last seconds of
work stand in the log alone: files may look older, shorter or absent on that side.

## Levels
- `review`: changes wait in the new drive's log alone.
- `note`: they wait in both drives' logs, or in the old drive's alone.
- not examined: the log cannot be read as one.

An empty log is quiet: it is new, or a resizing tool emptied it. What the filesystem's own state
bits say is `filesystem-dirty`.

## What to do
Shut the system down cleanly (no fast start, no hibernation) and check again; where the old drive is
damaged or cannot be started, read what differs with this in mind.

## Sources
libfsntfs, "NTFS format" ($LogFile); Linux kernel Documentation/filesystems/ext4/super.rst
(INCOMPAT_RECOVER).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, tell_fault
from verify.text.message import Message, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem
    from verify.rules.rule import Case, RuleAnswer

_WAITS = say("has changes that were not written back yet: its file list may be out of date")
_STATES = {
    None: say("not known"),
    "clean": say("clean"),
    "empty": say("empty"),
    "pending": say("changes not written back"),
}
_SHUT_DOWN = say(
    "Start its system and shut it down cleanly (or mount and unmount the volume), then check again."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the log of every pair's filesystem."""
    for old, new in case.matched:
        sides = old.filesystem, new.filesystem
        if not any(side.traits.log for side in sides):
            continue
        for side, drive in zip(sides, (OLD, NEW), strict=True):
            if side.traits.log == "always" and side.log is None:
                answer.leave_out(
                    say(
                        "the journal of partition {number} of the {drive} drive is damaged",
                        number=new.number,
                        drive=drive,
                    )
                )
        if all(side.log is None for side in sides):
            continue
        answer.compared()
        tell_fault(
            answer,
            Level.REVIEW,
            say(
                "The journal of the filesystem in {partition}",
                partition=name_of(new, capital=False),
            ),
            (_fault(old.filesystem), _fault(new.filesystem)),
            _SHUT_DOWN,
            partition=new.number,
            values=(_STATES[old.filesystem.log], _STATES[new.filesystem.log]),
        )


def _fault(filesystem: Filesystem) -> Message | None:
    return _WAITS if filesystem.log == "pending" else None


RULE = Rule(
    slug="filesystem-log",
    area=Area.FILESYSTEM,
    required=False,
    judge=judge,
    nothing=say("no filesystem with a journal is on both drives"),
    page=cleandoc(__doc__),
)
