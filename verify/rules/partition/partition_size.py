"""A partition has another size on the new drive.

## What it compares
Each partition's size in bytes on both drives.

## Why it matters
One partition, the system's or a data partition, is shrunk or grown on purpose to fit the new
drive. Another one that changed, or one whose contents differ, was more often cut by mistake.

## Levels
- `note`: a partition grew, and its contents match; the only one that shrank is not protected, and
  its contents match; a reserved one (Microsoft reserved, swap) has another size.
- `note`: where a fit was given, a change that it declares.
- `review`: where a fit was given, any size but the one it declares.
- `review`: a protected partition (EFI system, recovery, a maker's own) shrank; more than one
  shrank; contents do not match, or too little of them was read.

Contents match if every file is there with its size, contents were read on both drives (all of
them, or a sample large enough for `sound`), and nothing that was read differs. The finding says how
many files were read. Whether the filesystem fits its partition is `filesystem-span`.

## What to do
If the change was meant, see that the filesystem was resized with it. If not, clone again.

## Sources
Arithmetic on both tables; common practice (one partition is resized).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.held_to_fit import tell_size
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import (
    doubt_about_contents,
    is_protected,
    is_reserved,
    name_of,
    size_bytes,
)
from verify.text.message import Message, say
from verify.units import decimal_size

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.matching.pair_contents import PairContents
    from verify.rules.rule import Case, RuleAnswer

_MEANT = say("Nothing to do if this was intended; otherwise clone again with the old size.")
_LOOK = say(
    "If this was not intended, clone again with the old size. If it was,"
    " first settle the findings about its contents."
)
_HARMLESS = say("Nothing to do: the contents of such a partition do not matter.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare every pair's sizes; how many shrank weighs on each that did."""
    shrunk = [pair for pair in case.matched if _shrank(case, *pair)]
    for old, new in case.matched:
        answer.compared()
        if case.declared is not None:
            tell_size(case, answer, old, new)
            continue
        sizes = size_bytes(case.source, old), size_bytes(case.target, new)
        if sizes[0] == sizes[1]:
            continue
        word = say("smaller") if sizes[1] < sizes[0] else say("larger")
        level, why = _weigh(case, (old, new), several=len(shrunk) > 1)
        message = say(
            "{partition} is {word} on the new drive: {new} instead of {old}{why}.",
            partition=name_of(new),
            word=word,
            new=_said(sizes[1], sizes[0]),
            old=_said(sizes[0], sizes[1]),
            why=why,
        )
        advice = _HARMLESS if is_reserved(old) else _MEANT if level is Level.NOTE else _LOOK
        answer.find(level, message, advice, partition=new.number, source=sizes[0], target=sizes[1])


def _shrank(case: Case, old: Partition, new: Partition) -> bool:
    smaller = size_bytes(case.target, new) < size_bytes(case.source, old)
    return smaller and not is_reserved(old)


def _weigh(
    case: Case, pair: tuple[Partition, Partition], *, several: bool
) -> tuple[Level, Message]:
    """Return the level, and the end of the sentence that says why."""
    old, new = pair
    if is_reserved(old):
        return Level.NOTE, say("; a reserved partition may have any size")
    doubt = doubt_about_contents(case, old, new)
    if doubt is not None:
        return Level.REVIEW, say("; {doubt}", doubt=doubt)
    if _shrank(case, old, new):
        if is_protected(old):
            return Level.REVIEW, say("; such a partition is not normally shrunk on purpose")
        if several:
            return Level.REVIEW, say("; it is not the only partition that shrank")
    return Level.NOTE, _read(old, case.contents.pairs[new.number])


def _read(old: Partition, contents: PairContents) -> Message:
    """Say how much of a pair's contents was compared; nothing of it differs, or it is in doubt."""
    totals = contents.totals
    if contents.raw:
        return say(
            "; {count:,} of its {all:,} blocks (1 MiB each) were read on both drives and match",
            count=totals.blocks,
            all=totals.block_population,
        )
    files = old.listing.files if old.listing else 0
    if not files:
        return say("; it holds no files")
    return say(
        "; {count:,} of its {all:,} files were read on both drives and match{partly}",
        count=min(files, totals.hashed) - contents.mismatches - contents.expected_changes,
        all=files,
        partly=say(" (large ones in part)") if totals.blocks < totals.block_population else "",
    )


def _said(size: int, other: int) -> str:
    """Say a size for people, in bytes where the two would read alike."""
    alike = decimal_size(size) == decimal_size(other)
    return say("{size:,} bytes", size=size) if alike else decimal_size(size)


RULE = Rule(
    slug="partition-size",
    area=Area.PARTITION,
    required=True,
    judge=judge,
    nothing=say("no partition is on both drives"),
    page=cleandoc(__doc__),
)
