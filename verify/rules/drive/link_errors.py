"""Data was damaged on its way between a drive and the computer.

## What it compares
How many errors each drive has counted on its interface (ATA attribute 199, "CRC errors"): before
it was read and after. Where both sides are the same drive, captured twice, also the end of the
earlier capture and the start of the later one. Only a rise counts: the number itself is kept for
the drive's life, and may come from a cable of years ago.

## Why it matters
The checksum on the interface notices nearly every damaged transfer, and it is sent once more. A
cable, a dock or a power supply that causes errors causes some that nobody notices, too: in what
the cloning program read, or wrote.

## Levels
- `review`: the count rose.
- not examined: an image; a drive that was not asked, with the reason; an ATA drive that does not
  report this count, or counted less than before.

NVMe and SCSI drives keep no such count. The count of a drive is in all manifests made since it is
asked; of the hours between two captures of *different* jobs this check says nothing.

## What to do
Replace the cable or the dock, and check again with `--depth full`; if files differ then, clone
once more.

## Sources
Attribute 199 counts checksum errors on the interface (common practice: its number is the makers').
Serial ATA has a CRC of 32 bits on every frame, cited from memory.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.manifest.serial import own_serial
from verify.rules.drive.drive_health import why_unknown
from verify.rules.rule import Area, Level, Rule
from verify.text.message import counted, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.platforms.health import HealthAnswer
    from verify.rules.rule import Case, RuleAnswer
    from verify.text.message import Message

_WITHOUT_COUNT = frozenset({"NVMe", "SCSI"})

_REPLACE_CABLE = say(
    "Replace its cable or dock, then run `check` again with `--depth full`. Clone again if files"
    " differ."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare each drive's count before and after, and those of two captures of one drive."""
    for header, name in ((case.source, OLD), (case.target, NEW)):
        reason = why_unknown(header, name)
        if reason is not None or header.health is None:
            answer.leave_out(reason or say("no drive was asked for its health"))
        elif header.health.after is None:
            answer.leave_out(say("the {name} drive was not asked a second time", name=name))
        elif (second := header.health.after.reason) is not None:
            answer.leave_out(
                say("second answer of the {name} drive: {reason}", name=name, reason=second)
            )
        else:
            _compare(answer, name, header.health.before, header.health.after)
    for earlier, later, name in ((case.source, case.target, NEW), (case.target, case.source, OLD)):
        one_drive = _are_one_drive(earlier, later)
        if one_drive and earlier.health and later.health and _is_before(earlier, later):
            _compare(answer, name, earlier.health.latest, later.health.before)


def _compare(answer: RuleAnswer, name: Message, first: HealthAnswer, then: HealthAnswer) -> None:
    if first.protocol in _WITHOUT_COUNT or then.protocol in _WITHOUT_COUNT:
        return
    before, after = first.crc_errors, then.crc_errors
    if before is None or after is None:
        answer.leave_out(say("the {name} drive does not count interface errors", name=name))
        return
    if after < before:
        answer.leave_out(
            say("the count of interface errors of the {name} drive went back", name=name)
        )
        return
    answer.compared()
    if after > before:
        answer.find(
            Level.REVIEW,
            counted(
                "{count:,} transfer to or from the {name} drive was damaged on its cable:"
                " interface errors rose from {before:,} to {after:,}.",
                "{count:,} transfers to or from the {name} drive were damaged on its cable:"
                " interface errors rose from {before:,} to {after:,}.",
                after - before,
                name=name,
                before=before,
                after=after,
            ),
            _REPLACE_CABLE,
        )


def _are_one_drive(one: Header, other: Header) -> bool:
    """Whether two manifests are of one device, by a serial number of its own."""
    serial = own_serial(one.drive)
    same_model = one.drive.model == other.drive.model
    return serial is not None and serial == own_serial(other.drive) and same_model


def _is_before(earlier: Header, later: Header) -> bool:
    return earlier.capture.ended <= later.capture.started


RULE = Rule(
    slug="link-errors",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing=say("neither drive counts interface errors"),
    page=cleandoc(__doc__),
)
