"""A filesystem was not cleanly dismounted, or notes an error.

## What it compares
The state that each filesystem of the new drive keeps of itself, and the old drive's beside it.

## Why it matters
A dirty filesystem was in use when it was copied, or was pulled off without being dismounted: the
last changes may be half written. Its system checks it at the next start, and a check can remove
what does not fit.

## Levels
- `review`: the new drive's filesystem is dirty, and the old drive's is not.
- `note`: it was just resized (a resizing tool asks for a check that way); the old drive's is dirty
  as well, or it alone.
- not examined: the filesystem does not tell its state.

## What to do
Let its own system check it (chkdsk, fsck) on the new drive, and check again.

## Sources
libfsntfs, "NTFS format" (volume flags); the FAT and exFAT formats (state byte, VolumeFlags); Linux
kernel, Documentation/filesystems/ext4/super.rst (s_state). That a resizing tool marks a volume for
a check: common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, tell_fault, was_resized
from verify.text.message import Message, joined, say

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem
    from verify.rules.rule import Case, RuleAnswer

_CHECK = say("Run the system's own check on the new drive (chkdsk, fsck), then check again.")
_RESIZED = say(
    "Nothing to do: resizing leaves this mark, and the system checks the volume at its next start."
)

STATES: dict[str, Message] = {
    "dirty": say("marked dirty"),
    "not-clean": say("not unmounted cleanly"),
    "errors": say("errors recorded"),
    "needs-recovery": say("journal not replayed"),
    "orphans": say("orphaned files"),
    "resize-log": say("journal to be resized"),
    "upgrade-on-mount": say("to be upgraded when mounted"),
    "mounted-by-nt4": say("mounted by NT 4"),
    "deleting-usn-journal": say("change journal being deleted"),
    "repair-object-ids": say("object identifiers to be repaired"),
    "changed-by-check": say("changed by a check"),
    "check-under-way": say("check in progress"),
    "no-short-names": say("no short names"),
    "log-emptied": say("journal empty"),
    "hibernated": say("hibernated"),
    "boot-checksum-wrong": say("wrong boot region checksum"),
    "failed-sectors": say("failed sectors recorded"),
}
"""What a filesystem's flags are called in a sentence."""


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the state of every pair's filesystem."""
    for old, new in case.matched:
        if new.filesystem.kind not in READABLE_KINDS:
            continue
        if new.filesystem.clean is None:
            answer.leave_out(
                say(
                    "the state of partition {number} of the new drive is not known",
                    number=new.number,
                )
            )
            continue
        answer.compared()
        # NOTE: the volume's own mark does not matter: a log that was never used looks emptied.
        resized = was_resized(case, old, new)
        level, advice = (Level.NOTE, _RESIZED) if resized else (Level.REVIEW, _CHECK)
        tell_fault(
            answer,
            level,
            say("The filesystem in {partition}", partition=name_of(new, capital=False)),
            (_fault(old.filesystem), _fault(new.filesystem)),
            advice,
            partition=new.number,
            values=(_value(old.filesystem), _value(new.filesystem)),
        )


def _fault(filesystem: Filesystem) -> Message | None:
    if filesystem.clean is not False:
        return None
    words = (
        say(" ({state})", state=joined(STATES.get(word, word) for word in filesystem.state))
        if filesystem.state
        else ""
    )
    return say("was not shut down cleanly{words}", words=words)


def _value(filesystem: Filesystem) -> str:
    return {True: say("clean"), False: say("not clean"), None: say("not known")}[filesystem.clean]


RULE = Rule(
    slug="filesystem-dirty",
    area=Area.FILESYSTEM,
    required=False,
    judge=judge,
    nothing=say("no readable filesystem is on both drives"),
    page=cleandoc(__doc__),
)
