"""A drive reports that it is failing, or worn out.

## What it compares
What each drive reports of its own health: the result of its own check, attributes at or below
their maker's threshold, the warnings of an NVMe drive, its spare blocks and its wear; and counts of
sectors that it could not read or that wait to be replaced. They were asked with smartctl, before
and after the drive was read; the later answer counts. Nothing here says whether files were copied.

## Why it matters
A new drive that fails loses the only copy once the old one is wiped. An old drive that fails may
have given back sectors late, or not at all: what was not read from it may be damaged.

## Levels
- `review`: the new drive reports one of these.
- `note`: the old drive reports one of these.
- not examined: an image; a drive that was not asked, with the reason (smartctl is not installed,
  no permission, a USB adapter that hides it).

Sectors that wait to be replaced, and errors that could not be corrected, count from the first one
(common practice: no standard draws that line). Replaced sectors, hours and temperature are
recorded and shown; no finding comes of them.

## What to do
Do not hand over a new drive that reports a fault: have it replaced, and clone once more. Of an old
drive that reports one, read everything: `check` with `--depth full`.

## Sources
smartctl(8), "EXIT STATUS". NVM Express base specification, "SMART / Health Information" (critical
warning, spare, percentage used), cited from memory. Attributes 187, 197 and 198: common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.text.message import counted, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header
    from verify.platforms.health import HealthAnswer
    from verify.rules.rule import Case, RuleAnswer
    from verify.text.message import Message

WARNINGS = (
    say("its spare blocks are below their threshold"),
    say("its temperature is outside its limits"),
    say("it has become unreliable by errors or wear"),
    say("it can only be read any more"),
    say("the backup of its memory failed"),
    say("its persistent memory has become unreliable or read-only"),
)
"""NVMe's critical warning, from bit 0."""

WORN_PERCENT = 100

_REPLACE = say(
    "Keep the old drive. Have the new drive replaced and clone again, or let a person decide."
)
_READ_ALL = say(
    "Run `check` again with `--depth full`, which reads every file of it, before it is wiped."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Say what each drive reports against itself."""
    for header, name in ((case.source, OLD), (case.target, NEW)):
        reason = why_unknown(header, name)
        if reason is not None or header.health is None:
            answer.leave_out(reason or say("no drive was asked for its health"))
            continue
        answer.compared()
        for fact in complaints(header.health.latest):
            answer.find(
                Level.REVIEW if name == NEW else Level.NOTE,
                say("The {name} drive reports: {fact}.", name=name, fact=fact),
                _REPLACE if name == NEW else _READ_ALL,
            )


def why_unknown(header: Header, name: Message) -> Message | None:
    """Return why nothing is known of a drive's health; `None`: something is."""
    if header.drive.kind == "image":
        return say("the {name} drive is an image; only a drive reports its health", name=name)
    if header.health is None:
        return say("the {name} drive was not asked for its health when it was read", name=name)
    if (reason := header.health.latest.reason) is not None:
        return say("health of the {name} drive: {reason}", name=name, reason=reason)
    return None


def complaints(health: HealthAnswer) -> Iterator[Message]:
    """Yield what a drive reports against itself, each as a clause."""
    if health.passed is False:
        yield say("it is failing, by its own check")
    for attribute in health.failing_now:
        yield say(
            "attribute {id} ({attribute}) is at or below its threshold now",
            id=attribute.id,
            attribute=attribute.name,
        )
    for attribute in health.failed_past:
        yield say(
            "attribute {id} ({attribute}) was at or below its threshold in the past",
            id=attribute.id,
            attribute=attribute.name,
        )
    for bit, warning in enumerate(WARNINGS):
        if (health.critical_warning or 0) >> bit & 1:
            yield warning
    yield from _worn(health)
    yield from _errors(health)


def _worn(health: HealthAnswer) -> Iterator[Message]:
    spare, threshold = health.available_spare, health.available_spare_threshold
    warned = (health.critical_warning or 0) & 1
    if spare is not None and threshold is not None and spare < threshold and not warned:
        yield say(
            "{spare} % of its spare blocks are left, its threshold is {threshold} %",
            spare=spare,
            threshold=threshold,
        )
    used = health.percentage_used
    if used is not None and used >= WORN_PERCENT:
        yield say("{used} % of its rated life is used up", used=used)


def _errors(health: HealthAnswer) -> Iterator[Message]:
    if health.pending:
        yield counted(
            "{count:,} sector cannot be read and waits to be replaced",
            "{count:,} sectors cannot be read and wait to be replaced",
            health.pending,
        )
    if health.offline_uncorrectable:
        yield counted(
            "{count:,} sector could not be read when the drive checked itself",
            "{count:,} sectors could not be read when the drive checked itself",
            health.offline_uncorrectable,
        )
    for count in (health.reported_uncorrectable, health.media_errors, health.scsi_uncorrected):
        if count:
            yield counted(
                "{count:,} error could not be corrected",
                "{count:,} errors could not be corrected",
                count,
            )


RULE = Rule(
    slug="drive-health",
    area=Area.DRIVE,
    required=False,
    judge=judge,
    nothing=say("no drive was asked for its health"),
    page=cleandoc(__doc__),
)
