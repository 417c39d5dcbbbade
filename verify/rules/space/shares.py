"""Which shares of free space are too small, and the sentences that compare both drives."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.rules.rule import Level
from verify.rules.shared import name_of, tell_fault
from verify.text.message import Message, say
from verify.units import decimal_size

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem
    from verify.manifest.header import Partition
    from verify.rules.rule import RuleAnswer

LIMITS = ((Level.REVIEW, 5), (Level.NOTE, 15))
"""Free space under so many hundredths of a volume: common practice, no standard."""


def free_share(filesystem: Filesystem) -> float | None:
    """Return the free part of a filesystem, 0 to 1; `None` where it does not tell."""
    if filesystem.free_bytes is None or not filesystem.size_bytes:
        return None
    return filesystem.free_bytes / filesystem.size_bytes


def judge_share(answer: RuleAnswer, old: Partition | None, new: Partition, advice: Message) -> None:
    """Tell a volume of the target that has little free space, at the first limit it is under."""
    if free_share(new.filesystem) is None:
        answer.leave_out(
            say(
                "the free space of partition {number} of the new drive is not known",
                number=new.number,
            )
        )
        return
    answer.compared()
    for level, percent in LIMITS:
        fault = _fault(new.filesystem, percent)
        if fault is not None:
            tell_fault(
                answer,
                level,
                say("The filesystem in {partition}", partition=name_of(new, capital=False)),
                (_fault(old.filesystem, percent) if old else None, fault),
                advice,
                partition=new.number,
                values=(old.filesystem.free_bytes if old else None, new.filesystem.free_bytes),
                known=old is not None and _percent(new.filesystem) >= _percent(old.filesystem),
            )
            return


def _percent(filesystem: Filesystem) -> int:
    """Return the free part in whole hundredths: less than that changes with every start."""
    return int((free_share(filesystem) or 0) * 100)


def _fault(filesystem: Filesystem, percent: int) -> Message | None:
    free, size = filesystem.free_bytes, filesystem.size_bytes
    if free is None or not size or free * 100 >= percent * size:
        return None
    return say(
        "has less than {percent} % free ({free} of {whole})",
        percent=percent,
        free=decimal_size(free),
        whole=decimal_size(size),
    )
