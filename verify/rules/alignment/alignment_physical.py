"""Two partitions of the new drive share one of its physical sectors.

## What it compares
The end of each partition of the new drive with the beginning of the next one, on the drive's own
grid: its physical sectors, or 4,096 bytes where it does not tell, or is flash.

## Why it matters
A drive writes whole physical sectors. Where two partitions share one, each write at the end of the
first rewrites the beginning of the second; torn by a power failure, it damages a filesystem that
was not even in use.

## Levels
- `review`: two partitions share a physical sector.

A partition that begins off the grid, with no other in the same physical sector, is
reported by `alignment-start` alone; partitions that overlap by `partition-bounds`.

## What to do
Clone again with each partition on a multiple of 1 MiB.

## Sources
Microsoft Learn, "Advanced format (4K) disk compatibility update" (a torn physical sector damages
all eight logical ones in it).
"""

from __future__ import annotations

from inspect import cleandoc
from itertools import pairwise
from typing import TYPE_CHECKING

from verify.matching.pairing import on_drive
from verify.rules.alignment.grid import grid_bytes
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of, size_bytes, start_bytes
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_AGAIN = say("Clone again, starting each partition at a multiple of 1 MiB.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every partition of the target and the one behind it."""
    header = case.target
    partitions = on_drive(header)
    grid = grid_bytes(header.drive, answer) if partitions else 1
    answer.compared(len(partitions))
    for one, two in pairwise(partitions):
        end = start_bytes(header, one) + size_bytes(header, one)
        start = start_bytes(header, two)
        if start >= end and (end - 1) // grid == start // grid:
            message = say(
                "{partition} and {next} of the new drive share one physical sector of"
                " {grid:,} bytes: one ends at byte {end:,}, the other begins at byte"
                " {start:,}.",
                partition=name_of(one),
                end=end - 1,
                next=name_of(two, capital=False),
                start=start,
                grid=grid,
            )
            answer.find(Level.REVIEW, message, _AGAIN, partition=two.number, target=start)


RULE = Rule(
    slug="alignment-physical",
    area=Area.ALIGNMENT,
    required=True,
    judge=judge,
    nothing=say("the new drive has no partitions"),
    page=cleandoc(__doc__),
)
