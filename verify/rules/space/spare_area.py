"""A flash drive has little room to spare: neither outside its partitions nor free in its volumes.

## What it compares
The share of the new drive that lies outside all partitions, and, where that is small, the share
that is free in the volumes that can be read.

## Why it matters
A flash drive writes faster and lives longer when it has blocks that hold nothing. It has some of
its own, and gets more from what was never written or was given back: a stretch outside all
partitions, or free space.

## Levels
- `note`: less than 7 % of the drive lies outside all partitions, and less than 10 % of its volumes
  is free.
- not examined: neither is known.

A drive that tells that it rotates is not judged.

## What to do
Leave some of the drive unpartitioned, or leave more of the volumes free.

## Sources
Common practice, not a standard: 7 to 10 % unpartitioned, or 10 to 20 % of the volume free. What a
drive keeps for itself cannot be seen.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.matching.pairing import on_drive
from verify.rules.rule import Area, Level, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Case, RuleAnswer

LEAST_UNPARTITIONED_PERCENT = 7
LEAST_FREE_PERCENT = 10

_ASSUMED = say("the new drive does not report whether it is flash; flash was assumed")
_LEAVE = say("Leave part of the drive unpartitioned, or keep more of its volumes free.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the target's spare room."""
    header = case.target
    if header.drive.rotational or not header.drive.size_bytes:
        return
    if header.drive.rotational is None:
        answer.assume(_ASSUMED)
    outside = unpartitioned_bytes(header)
    share = 100 * outside / header.drive.size_bytes
    if share >= LEAST_UNPARTITIONED_PERCENT:
        answer.compared()
        return
    free, size = _free_and_size(header)
    if not size:
        answer.leave_out(say("the free space of the new drive's volumes is not known"))
        return
    answer.compared()
    if free * 100 < LEAST_FREE_PERCENT * size:
        message = say(
            "{share:.1f} % of the new drive is unpartitioned, and {free:.1f} % of"
            " its volumes is free.",
            share=share,
            free=100 * free / size,
        )
        answer.find(Level.NOTE, message, _LEAVE, target=outside)


def unpartitioned_bytes(header: Header) -> int:
    """Return how many bytes of the drive no partition covers; overlaps count once."""
    sectors = header.drive.size_bytes // header.table.sector_bytes
    covered = end = 0
    for item in on_drive(header):
        start, stop = max(item.start_lba, end), min(item.end_lba, sectors)
        covered += max(0, stop - start)
        end = max(end, stop)
    return header.drive.size_bytes - covered * header.table.sector_bytes


def _free_and_size(header: Header) -> tuple[int, int]:
    known = [
        (item.filesystem.free_bytes, item.filesystem.size_bytes)
        for item in on_drive(header)
        if item.filesystem.kind in READABLE_KINDS
    ]
    both = [(free, size) for free, size in known if free is not None and size is not None]
    return sum(free for free, _ in both), sum(size for _, size in both)


RULE = Rule(
    slug="spare-area",
    area=Area.SPACE,
    required=False,
    judge=judge,
    nothing=say("the new drive is not a flash drive"),
    page=cleandoc(__doc__),
)
