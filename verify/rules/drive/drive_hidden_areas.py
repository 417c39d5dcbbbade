"""The drive has areas that reading it does not reach.

## What it compares
What each drive is known to have beside the area that was read, as far as the running system tells
it: further namespaces (NVMe), boot and general purpose areas (eMMC). For other drives (ATA, SCSI,
USB) it says that a host protected area and a configuration overlay were not asked for: this tool
sends no such commands to a drive.

## Why it matters
A maker's recovery system may lie in a protected area behind the drive's apparent end, and a
second namespace is a second drive in one housing. Neither is in the clone, and neither is seen
from the partition table.

## Levels
- `review`: the old drive has a further namespace. Is it wiped, too?
- `note`: an eMMC's boot areas, which belong to the device it is built into; any area of the new
  drive.
- not examined: an image, which has no such areas of its own; a drive whose areas nobody was asked
  about, with the reason.

## What to do
Compare the drive's apparent size with the one on its label. If they differ, ask the drive with
its maker's or the system's own tools before it is wiped.

## Sources
Linux kernel, drivers/nvme/host/core.c and drivers/mmc/core/block.c. ATA/ATAPI Command Set (host
protected area, device configuration overlay) and NVM Express base specification (namespaces), both
cited from memory.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.text.message import say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_NAMESPACES = "further namespaces"
_LOOK = say("Look at what is stored there before the old drive is wiped: it was not compared.")
_KNOW = say("Nothing to do if none of it has to be kept.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Say what was asked of each drive, and what the answer was."""
    for header, name in ((case.source, OLD), (case.target, NEW)):
        drive = header.drive
        if drive.kind == "image":
            answer.leave_out(
                say("the {name} drive is an image, which shows no hidden areas", name=name)
            )
        elif not drive.hidden_areas:
            answer.leave_out(
                say("the {name} drive was not asked for hidden areas when it was read", name=name)
            )
        for area in drive.hidden_areas:
            if area.answer == "not asked":
                answer.leave_out(
                    say(
                        "{what} of the {name} drive: {detail}",
                        what=area.what,
                        name=name,
                        detail=area.detail,
                    )
                )
                continue
            answer.compared()
            if area.answer == "found":
                grave = name == OLD and area.what == _NAMESPACES
                answer.find(
                    Level.REVIEW if grave else Level.NOTE,
                    say(
                        "The {name} drive has {what}: {detail}.",
                        name=name,
                        what=area.what,
                        detail=area.detail,
                    ),
                    _LOOK if name == OLD else _KNOW,
                )


RULE = Rule(
    slug="drive-hidden-areas",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing=say("no drive was read"),
    page=cleandoc(__doc__),
)
