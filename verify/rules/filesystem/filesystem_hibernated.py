"""A hibernated system would be resumed on a volume that is not as it left it.

## What it compares
Whether a partition holds a valid hibernation image: of Windows (also one that a fast start leaves
behind), or of Linux in a swap partition. On both drives, with what was resized. The image's first
bytes do not show whether the system was hibernated or shut down with fast startup; the registry
on the same volume says whether fast startup is on.

## Why it matters
A hibernated system keeps its filesystems in memory, as they were. Resumed on a volume that was
resized since, it writes by the old map, and destroys files. And what a person had open when the
machine hibernated is in that image alone.

## Levels
- `stop`: the new drive holds a hibernated system, and its volume was resized; for an image in a
  swap partition, any volume of a readable filesystem.
- `review`: the old drive holds a hibernated system and the new one does not: what was open is not
  on the new drive. The new drive holds one and the old one does not.
- `note`: both hold one, and nothing was resized.
- not examined: a Windows volume whose files could not be listed.

Whether fast startup is on is said in the finding and changes no level: the image of a fast
startup also holds a kernel that knows the volume as it was.

## What to do
Start the machine from the old drive, shut it down fully (no fast start, no hibernation), and clone
again. If nothing was left open, the image can be discarded on the new drive instead.

## Sources
The first bytes of hiberfil.sys and of a swap partition (facts of their formats; the former from a
secondary source); the registry's `HiberbootEnabled`: common practice, from memory.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, was_resized
from verify.text.message import Message, joined, say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

_HIBERNATED = "hibernated"
_SHUT_DOWN = say(
    "Start from the old drive, shut down completely (no fast startup), and clone again."
)
_FAST_START = say(
    "Fast startup is on: an ordinary shutdown leaves such an image too, without open work in it."
)
_NO_FAST_START = say("Fast startup is off: the system was hibernated, and open work may be in it.")
_OPEN = say(
    "If work was left open: start once from the old drive, save it and shut"
    " down completely; then clone again."
)
_KEEP = say("Start from the new drive alone; the system resumes where it was hibernated.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Look for images on either side of every pair."""
    any_resized = any(
        was_resized(case, old, new)
        for old, new in case.matched
        if new.filesystem.kind in READABLE_KINDS
    )
    for old, new in case.matched:
        swap = new.filesystem.kind == "swap"
        if not swap and new.filesystem.kind not in READABLE_KINDS:
            continue
        if new.filesystem.kind == "ntfs" and None in (old.listing, new.listing):
            answer.leave_out(
                say(
                    "the files of partition {number} were not listed on both drives",
                    number=new.number,
                )
            )
            continue
        answer.compared()
        resized = any_resized if swap else was_resized(case, old, new)
        _judge_pair(answer, old, new, resized=resized)


def image(partition: Partition) -> str | None:
    """Return what the partition's hibernation image says, if it holds a valid one."""
    suspended = _HIBERNATED in partition.filesystem.state
    return partition.hibernation or (_HIBERNATED if suspended else None)


def _judge_pair(answer: RuleAnswer, old: Partition, new: Partition, *, resized: bool) -> None:
    images = image(old), image(new)
    where = name_of(new, capital=False)
    if images == (None, None):
        return
    if images[1] is None:
        level, advice = Level.REVIEW, _OPEN
        message = say(
            "The old drive has a hibernated system in {where}, the new one does not:"
            " work that was open in it is not on the new drive.",
            where=where,
        )
    elif resized:
        level, advice = Level.STOP, _SHUT_DOWN
        message = say(
            "The new drive has a hibernated system in {where}, and one of its volumes was resized.",
            where=where,
        )
    elif images[0] is None:
        level, advice = Level.REVIEW, _SHUT_DOWN
        message = say(
            "The new drive has a hibernated system in {where}, the old one does not.", where=where
        )
    else:
        level, advice = Level.NOTE, _KEEP
        message = say(
            "Both drives have a hibernated system in {where}; none of its volumes was resized.",
            where=where,
        )
    message = joined((message, *_fast_start(old if images[1] is None else new)), " ")
    answer.find(level, message, advice, partition=new.number, source=images[0], target=images[1])


def _fast_start(partition: Partition) -> tuple[Message, ...]:
    """Say what the registry beside an image tells of it, as far as it tells."""
    registry = partition.boot.registry if partition.boot else None
    if registry is None or registry.fast_start is None:
        return ()
    return (_FAST_START if registry.fast_start else _NO_FAST_START,)


RULE = Rule(
    slug="filesystem-hibernated",
    area=Area.FILESYSTEM,
    required=True,
    judge=judge,
    nothing=say("no partition that could contain a hibernated system is on both drives"),
    page=cleandoc(__doc__),
)
