"""The core image that a boot sector of GRUB names by its sectors, held against the old drive's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.rules.rule import Level
from verify.rules.shared import tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.boot.boot_record import GrubCore
    from verify.rules.rule import Case, RuleAnswer

_WRITE = say("Start Linux from other media and run grub-install for the new drive.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every core image of the target."""
    old = {item.place: item for item in case.source.grub}
    became = {pair.target.number: pair.source for pair in case.pairs if pair.target}
    for core in case.target.grub:
        source = became.get(core.place)
        place = source.number if source else core.place
        _judge_core(answer, old.get(place), core)


def _judge_core(answer: RuleAnswer, old: GrubCore | None, core: GrubCore) -> None:
    answer.compared()
    number = core.place or None
    subject = say("GRUB's core image")
    faults = _fault(old), _fault(core) or _emptied(old, core)
    tell_fault(answer, Level.STOP, subject, faults, _WRITE, partition=number)
    if faults != (None, None) or old is None or old.digest == core.digest:
        return
    answer.find(
        Level.REVIEW,
        say("{subject} differs between the drives.", subject=subject),
        say("Start the computer from the new drive alone."),
        partition=number,
        source=old.digest,
        target=core.digest,
    )


def _fault(core: GrubCore | None) -> Message | None:
    if core is None or core.problem is None:
        return None
    return say("cannot be started: {problem}", problem=core.problem)


def _emptied(old: GrubCore | None, core: GrubCore) -> Message | None:
    """Say that sectors of it are empty that are not so on the old drive."""
    if old is None or old.problem is not None or core.zero_sectors <= old.zero_sectors:
        return None
    return say(
        "is all zeros in {count} of its sectors ({before} on the old drive)",
        count=core.zero_sectors,
        before=old.zero_sectors,
    )
