"""The filesystem's log holds changes that are not yet in the filesystem: the listing may be stale.

## What it compares
Nothing yet: this version does not judge it, and says so in every comparison. A later one looks
whether the log of an NTFS or ext filesystem holds changes that its system would write out at the
next mount.

## Why it matters
This tool reads what stands in the filesystem's tables and never writes out a log, since that
would be a change to the drive. After a power failure, or on a running system, the last seconds of
work stand in the log alone: files may look older, shorter or absent on that side.

## Levels
None in this version: the outcome is always `not_examined`. The rule is not required for `sound`
until it is built. What the filesystem's own state bits say is `filesystem-dirty`.

## What to do
Shut the system down cleanly (no fast start, no hibernation) before cloning.

## Sources
libfsntfs, "NTFS format" ($LogFile); Linux kernel Documentation/filesystems/ext4/journal.rst.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.model import Area, Rule

if TYPE_CHECKING:
    from verify.rules.model import Case, Tally


def judge(_case: Case, tally: Tally) -> None:
    """Say that nothing was examined."""
    tally.leave_out("this version does not judge whether a filesystem's log is written out")


RULE = Rule(
    slug="filesystem-log",
    area=Area.FILESYSTEM,
    required=False,
    judge=judge,
    nothing="this version does not judge it",
    page=cleandoc(__doc__),
)
