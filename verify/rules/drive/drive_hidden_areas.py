"""The drive has areas that reading it does not reach.

## What it compares
Nothing yet: this version does not judge it, and says so in every comparison. A later one asks the
drive for a host protected area and a configuration overlay (ATA), and for further namespaces
(NVMe).

## Why it matters
A maker's recovery system may lie in a protected area behind the drive's apparent end, and a
second namespace is a second drive in one housing. Neither is in the clone, and neither is seen
from the partition table.

## Levels
None in this version: the outcome is always `not_examined`. The rule is not required for `sound`
until it is built.

## What to do
Compare the drive's apparent size with the one on its label. If they differ, ask the drive with
its maker's or the system's own tools before it is wiped.

## Sources
ATA/ATAPI Command Set (host protected area, device configuration overlay) and NVM Express base
specification (namespaces), both cited from memory.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.model import Area, Rule

if TYPE_CHECKING:
    from verify.rules.model import Case, Tally


def judge(_case: Case, tally: Tally) -> None:
    """Say that nothing was examined."""
    tally.leave_out("this version does not ask the drive for areas behind its apparent end")


RULE = Rule(
    slug="drive-hidden-areas",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing="this version does not judge it",
    page=cleandoc(__doc__),
)
