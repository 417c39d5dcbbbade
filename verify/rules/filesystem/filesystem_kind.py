"""A partition holds another kind of filesystem on the new drive, or none that is known.

## What it compares
The kind of filesystem, or of encryption, that was recognised in each partition, by its own
structures and not by the partition's type.

## Why it matters
A partition that was entered in the table but never filled shows no filesystem. One that was copied
file by file into another kind loses what that kind cannot hold: permissions, links, times. One
that was encrypted and comes out plain leaves its owner without the protection he counts on.

## Levels
- `stop`: the old drive has a known filesystem, and the new one nothing that is known, or another
  kind whose files are not proven to be the same.
- `review`: another kind whose files are proven to be the same; encrypted on one drive only; a
  known filesystem where the old drive has nothing that is known; a kind of the same family (FAT16
  and FAT32, ext3 and ext4) whose files are not proven to be the same.
- `note`: a kind of the same family whose files are proven to be the same; any change of a reserved
  partition (Microsoft reserved, swap).
- not examined: the structures contradict each other, or could not be read.

## What to do
Clone the partition again, byte for byte or by a tool that keeps its filesystem.

## Sources
The signatures are those of each format (the generated pages in docs/formats name them).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import doubt_about_contents, is_reserved, name_of, same_family
from verify.text.message import Message, joined, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

_AGAIN = say("Clone this partition again before the old drive is wiped.")
_MEANT = say(
    "Nothing to do if this was intended; otherwise clone this partition"
    " again without converting it."
)
_HARMLESS = say("Nothing to do: the contents of such a partition do not matter.")
_PROTECT = say(
    "Ask the owner. If the data must stay protected, encrypt the partition or clone it again."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare the kinds of every pair."""
    for old, new in case.matched:
        reason = _uncertain(old, OLD) or _uncertain(new, NEW)
        if reason is not None:
            answer.leave_out(reason)
            continue
        answer.compared()
        kinds = old.filesystem.kind, new.filesystem.kind
        if kinds[0] != kinds[1]:
            level, advice = _weigh(case, old, new)
            message = say(
                "{partition} contains {old} on the old drive, {new} on the new one.",
                partition=name_of(new),
                old=_said(kinds[0]),
                new=_said(kinds[1]),
            )
            answer.find(
                level, message, advice, partition=new.number, source=kinds[0], target=kinds[1]
            )


def _uncertain(partition: Partition, drive: Message) -> Message | None:
    """Say why a side's kind is not known for certain; a plain unknown is an answer."""
    filesystem, number = partition.filesystem, partition.number
    if filesystem.kind == "ambiguous":
        kinds = joined(filesystem.candidates)
        return say(
            "partition {number} of the {drive} drive could be more than one kind of"
            " filesystem: {kinds}",
            number=number,
            drive=drive,
            kinds=kinds,
        )
    if filesystem.kind == "unknown" and filesystem.unread:
        reason = filesystem.unread[0].reason
        return say(
            "partition {number} of the {drive} drive could not be recognised: {reason}",
            number=number,
            drive=drive,
            reason=reason,
        )
    return None


def _weigh(case: Case, old: Partition, new: Partition) -> tuple[Level, Message]:
    kinds = old.filesystem.kind, new.filesystem.kind
    if is_reserved(old):
        return Level.NOTE, _HARMLESS
    if kinds[1] == "unknown":
        return Level.STOP, _AGAIN
    if old.is_locked != new.is_locked:
        return Level.REVIEW, _PROTECT
    if kinds[0] == "unknown":
        return Level.REVIEW, _MEANT
    proven = doubt_about_contents(case, old, new) is None
    if same_family(*kinds):
        return (Level.NOTE if proven else Level.REVIEW), _MEANT
    return (Level.REVIEW, _MEANT) if proven else (Level.STOP, _AGAIN)


def _said(kind: str) -> str:
    return say("no known filesystem") if kind == "unknown" else kind


RULE = Rule(
    slug="filesystem-kind",
    area=Area.FILESYSTEM,
    required=True,
    judge=judge,
    nothing=say("no partition is on both drives"),
    page=cleandoc(__doc__),
)
