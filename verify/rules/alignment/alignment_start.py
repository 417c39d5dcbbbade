"""A partition of the new drive begins between two steps of the drive's own grid.

## What it compares
The first byte of each partition of the new drive with the drive's own grid: its physical sectors,
or pages of 4,096 bytes where it does not tell, or is flash. The old drive does not matter: it had
another grid.

## Why it matters
Each write to a partition that begins off the grid touches two physical sectors, and the drive has
to read both first. It is slower for as long as the drive lives, and a write that is torn by a power
failure damages data that was not being written. Clones of drives that were partitioned before 2008
carry it over: their first partition begins at sector 63.

## Levels
- `review`: a partition begins off the grid.
- `note`: a reserved one does (Microsoft reserved, swap): little is written there.

## What to do
Clone again with the partition on a multiple of 1 MiB, which fits every grid in use.

## Sources
UEFI 2.10 section 5.3.1 (align to the physical block; multiples of 2,048 blocks fit usual cases);
Microsoft Learn, "Advanced format (4K) disk compatibility update" (cost; start at 1,024 KB, before
at sector 63).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.matching.pairing import on_drive
from verify.rules.alignment.grid import grid_bytes
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_reserved, name_of, start_bytes
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_AGAIN = say("Clone again, starting this partition at a multiple of 1 MiB; that suits every drive.")
_LITTLE = say("Nothing to do: little is written to this partition.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the start of every partition of the target."""
    partitions = on_drive(case.target)
    grid = grid_bytes(case.target.drive, answer) if partitions else 1
    sources = {id(pair.target): pair.source for pair in case.pairs if pair.target}
    for new in partitions:
        answer.compared()
        start = start_bytes(case.target, new)
        if start % grid:
            level, advice = (Level.NOTE, _LITTLE) if is_reserved(new) else (Level.REVIEW, _AGAIN)
            message = say(
                "{partition} of the new drive is misaligned by {past:,} bytes (grid {grid:,}).",
                partition=name_of(new),
                past=start % grid,
                grid=grid,
            )
            old = sources.get(id(new))
            answer.find(
                level,
                message,
                advice,
                partition=new.number,
                source=None if old is None else start_bytes(case.source, old),
                target=start,
            )


RULE = Rule(
    slug="alignment-start",
    area=Area.ALIGNMENT,
    required=True,
    judge=judge,
    nothing=say("the new drive has no partitions"),
    page=cleandoc(__doc__),
)
