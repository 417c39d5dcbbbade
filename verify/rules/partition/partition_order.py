"""The partitions stand in another order on the new drive.

## What it compares
The order of the partitions on the drive, by their first sectors, of those that both drives have;
and, where the order is the same, their numbers.

## Why it matters
A recovery partition that stands behind the system partition can grow when an update needs it to;
in front of it, it can not. What names a partition by its number finds another one.

## Levels
- `review`: a partition stands before one that it stood behind, or behind one that it stood
  before. The partitions that keep their order are chosen so that the largest of them stay, and
  the others are named.
- `note`: only reserved partitions (Microsoft reserved, swap) moved; or the numbers alone changed.

## What to do
If the order was not changed on purpose, clone again in the old drive's order. If it was, see that
the machine and its recovery environment start from the new drive alone.

## Sources
Microsoft Learn, "UEFI/GPT-based hard drive partitions" (the recovery partition directly behind the
system's, so that it can be resized).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_reserved, name_of
from verify.text.message import Message, joined, say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

_Placed = tuple[int, "Partition"]
"""A partition, and which it is in the target's order."""

_BEFORE, _BEHIND = say("before"), say("after")

_AGAIN = say(
    "If this was not intended, clone again in the old order; otherwise check"
    " that the computer starts from the new drive alone."
)
_HARMLESS = say("Nothing to do: the contents of such a partition do not matter.")
_NUMBERS = say("Check whether anything uses partition numbers: fstab, a boot menu, a script.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Find the partitions that overtook others, else those that are only numbered anew."""
    answer.compared(len(case.matched))
    by_target = sorted(case.matched, key=lambda pair: (pair[1].start_lba, pair[1].number))
    ranks = {id(new): rank for rank, (_, new) in enumerate(by_target)}
    placed = [(ranks[id(new)], new) for _, new in case.matched]
    movable = [item for item in placed if not is_reserved(item[1])]
    in_order = frozenset(rank for rank, _ in _largest_in_order(movable))
    moved = False
    for place, item in enumerate(placed):
        overtaken = _overtaken(placed, place, in_order)
        if overtaken is not None:
            moved = True
            _tell_moved(answer, item, overtaken)
    if not moved and case.source.table.scheme == case.target.table.scheme:
        _tell_numbers(case, answer)


def _largest_in_order(placed: list[_Placed]) -> list[_Placed]:
    """Return those that keep their order, chosen so that together they are as large as can be.

    The heaviest increasing run of ranks, found in steps of the square of their number.
    """
    best: list[tuple[int, int]] = []
    for place, (rank, partition) in enumerate(placed):
        weights = ((best[at][0], at) for at in range(place) if placed[at][0] < rank)
        weight, before = max(weights, default=(0, -1))
        best.append((weight + partition.sectors + 1, before))
    at = max(range(len(best)), key=lambda place: best[place][0], default=-1)
    kept = []
    while at >= 0:
        kept.append(placed[at])
        at = best[at][1]
    return kept


def _overtaken(
    placed: list[_Placed], place: int, in_order: frozenset[int]
) -> tuple[_Placed, Message] | None:
    """Return a partition in order whose other side this one is on now, and the new side."""
    rank = placed[place][0]
    for other_place, other in enumerate(placed):
        if other[0] in in_order and (other_place < place) != (other[0] < rank):
            return other, _BEFORE if rank < other[0] else _BEHIND
    return None


def _tell_moved(answer: RuleAnswer, item: _Placed, overtaken: tuple[_Placed, Message]) -> None:
    new, (other, side) = item[1], overtaken
    was = _BEHIND if side == _BEFORE else _BEFORE
    beside = name_of(other[1], capital=False)
    level, advice = (Level.NOTE, _HARMLESS) if is_reserved(new) else (Level.REVIEW, _AGAIN)
    message = say(
        "{partition} is {side} {beside} on the new drive, but {was} it on the"
        " old one (numbers as on the new drive).",
        partition=name_of(new),
        side=side,
        beside=beside,
        was=was,
    )
    answer.find(
        level,
        message,
        advice,
        partition=new.number,
        source=say("{side} {beside}", side=was, beside=beside),
        target=say("{side} {beside}", side=side, beside=beside),
    )


def _tell_numbers(case: Case, answer: RuleAnswer) -> None:
    changed = [(old.number, new.number) for old, new in case.matched if old.number != new.number]
    if changed:
        became = joined(say("{old} is now {new}", old=old, new=new) for old, new in changed)
        message = say(
            "Partitions have different numbers on the new drive, but the same order: {became}.",
            became=became,
        )
        sides = [", ".join(str(pair[side]) for pair in changed) for side in (0, 1)]
        answer.find(Level.NOTE, message, _NUMBERS, source=sides[0], target=sides[1])


RULE = Rule(
    slug="partition-order",
    area=Area.PARTITION,
    required=True,
    judge=judge,
    nothing=say("no partition is on both drives"),
    page=cleandoc(__doc__),
)
