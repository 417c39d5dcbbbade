"""Bytes outside any readable filesystem are not the same on the new drive.

## What it compares
Block by block of 1 MiB, partitions whose files cannot be listed: encrypted, of a filesystem that is
not read, or unknown; all blocks at depth `full`, a drawn sample at depth `sample`. And the bytes
between the table and the first partition, at every depth.

## Why it matters
What cannot be read as files can only be proven byte for byte. In front of the first partition a
BIOS loader may keep its second part.

## Levels
- `stop`: blocks differ, or the partition is shorter on the new drive.
- `review`: blocks differ on a filesystem whose kind is known but whose files could not be listed
  (free space may differ on a good copy); the bytes in front of the first partition differ.
- not examined: contents that were not read on both drives, or in different ways.

## What to do
Clone the partition again, byte for byte, or open it read-only on both drives and compare by hand.

## Sources
Common practice; that reserved space, swap and LDM metadata do not matter is this tool's own.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.contents.pairs import compared_raw, leave_out_small_sample
from verify.rules.rule import Area, Level, Rule
from verify.text.message import counted, say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.matching.pair_contents import PairContents
    from verify.rules.rule import Case, RuleAnswer

_AGAIN = say("Clone this partition again, byte for byte, before the old drive is wiped.")
_LOOK = say(
    "Mount it read-only on both drives and compare the files, or clone it again byte for byte."
)
_LOADER = say("Start the computer from the new drive alone.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare the blocks of every raw pair, and the gap in front of the first partition."""
    any_raw = False
    for old, new, blocks in compared_raw(case, answer):
        any_raw = True
        answer.compared(blocks.totals.blocks)
        _judge_pair(answer, case, (old, new), blocks)
    if any_raw:
        leave_out_small_sample(case, answer)
    _judge_gap(case, answer)


def _judge_pair(
    answer: RuleAnswer, case: Case, pair: tuple[Partition, Partition], blocks: PairContents
) -> None:
    old, new = pair
    kind = old.filesystem.kind
    sizes = tuple(
        side.sectors * header.table.sector_bytes
        for side, header in zip(pair, (case.source, case.target), strict=True)
    )
    if sizes[1] < sizes[0]:
        message = say(
            "Partition {number} ({kind}) is shorter on the new drive: its end is missing.",
            number=new.number,
            kind=kind,
        )
        answer.find(
            Level.STOP, message, _AGAIN, partition=new.number, source=sizes[0], target=sizes[1]
        )
    if blocks.mismatches:
        level, advice = Level.STOP, _AGAIN
        if kind in READABLE_KINDS:
            level, advice = Level.REVIEW, _LOOK
        message = say(
            "Partition {number} ({kind}): {mismatches:,} of {blocks:,} compared"
            " blocks (1 MiB each) differ.",
            mismatches=blocks.mismatches,
            blocks=blocks.totals.blocks,
            number=new.number,
            kind=kind,
        )
        answer.find(level, message, advice, partition=new.number)
    if blocks.unreadable.count:
        answer.leave_out(
            counted(
                "{count} block of partition {number} could not be read",
                "{count} blocks of partition {number} could not be read",
                blocks.unreadable.count,
                number=new.number,
            )
        )
    if not blocks.totals.blocks and blocks.totals.block_population:
        answer.leave_out(
            say("no block of partition {number} was read on both drives", number=new.number)
        )
    shared = min(sizes)
    if sizes[0] != sizes[1] and shared % (1 << 20):
        answer.leave_out(
            say(
                "the last bytes of partition {number} that both drives have ({shared:,} bytes)",
                shared=shared % (1 << 20),
                number=new.number,
            )
        )


def _judge_gap(case: Case, answer: RuleAnswer) -> None:
    if not (case.source.gaps and case.target.gaps):
        _judge_one_gap(case, answer)
        return
    old, new = case.source.gaps[0], case.target.gaps[0]
    if old.digest is None or new.digest is None:
        answer.leave_out(
            say("bytes {what}: {reason}", what=old.what, reason=old.reason or new.reason or "")
        )
        return
    for gap in (old, new):
        if gap.reason:
            answer.leave_out(say("bytes {what}: {reason}", what=gap.what, reason=gap.reason))
    answer.compared()
    if old.digest != new.digest:
        answer.find(
            Level.REVIEW,
            say("The bytes {what} differ between the drives.", what=old.what),
            _LOADER,
            source=say("{size:,} bytes", size=old.content_bytes),
            target=say("{size:,} bytes", size=new.content_bytes),
        )


def _judge_one_gap(case: Case, answer: RuleAnswer) -> None:
    """Tell where only the old drive has room, and something in it, before its first partition."""
    for gap in case.source.gaps:
        answer.compared()
        if gap.content_bytes or gap.digest is None:
            answer.find(
                Level.REVIEW,
                say(
                    "The old drive has bytes {what}; the new drive has no space for them there.",
                    what=gap.what,
                ),
                _LOADER,
                source=say("{size:,} bytes", size=gap.content_bytes),
            )


RULE = Rule(
    slug="raw-content",
    area=Area.CONTENTS,
    required=True,
    judge=judge,
    nothing=say("all partitions were compared by their files, or have no contents that matter"),
    page=cleandoc(__doc__),
)
