"""A volume of the new drive has clusters that do not fit the drive's own grid.

## What it compares
The cluster size of each system and data volume of the new drive with the drive's own grid: its
physical sectors, or pages of 4,096 bytes where it does not tell, or is flash.

## Why it matters
A cluster that is smaller than a physical sector is written by reading and rewriting what is beside
it. It costs time, and nothing else.

## Levels
- `note`: the cluster size is no multiple of the grid.
- quiet: the old drive's clusters are the same, and off its own grid as well.

## What to do
Nothing on a clone: a filesystem keeps its cluster size. A volume that is made anew gets one that
fits.

## Sources
Microsoft Learn, "NTFS overview" (4 KB clusters up to 16 TB) and "Advanced format (4K) disk
compatibility update" (read, modify, write).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.alignment.grid import grid_bytes
from verify.rules.rule import Area, Level, Rule, RuleAnswer
from verify.rules.shared import holds_data, name_of
from verify.text.message import say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case

_ANEW = say("Nothing to do for a clone; a newly formatted volume gets a fitting cluster size.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every volume of the target that holds data."""
    for pair in case.pairs:
        new = pair.target
        if new is None or not holds_data(case.target, new):
            continue
        cluster = new.filesystem.cluster_bytes
        if not cluster:
            answer.leave_out(
                say(
                    "the cluster size of partition {number} of the new drive is not known",
                    number=new.number,
                )
            )
            continue
        answer.compared()
        grid = grid_bytes(case.target.drive, answer)
        if cluster % grid and not _same_misfit(case, pair.source, cluster):
            message = say(
                "{partition} of the new drive has clusters of {cluster:,} bytes; that is"
                " not a multiple of the drive's grid ({grid:,} bytes).",
                partition=name_of(new),
                cluster=cluster,
                grid=grid,
            )
            old = pair.source.filesystem.cluster_bytes if pair.source else None
            answer.find(
                Level.NOTE, message, _ANEW, partition=new.number, source=old, target=cluster
            )


def _same_misfit(case: Case, old: Partition | None, cluster: int) -> bool:
    """Whether the old drive had the same clusters off its own grid: then nothing changed."""
    if old is None or old.filesystem.cluster_bytes != cluster:
        return False
    return bool(cluster % grid_bytes(case.source.drive, RuleAnswer()))


RULE = Rule(
    slug="alignment-cluster",
    area=Area.ALIGNMENT,
    required=False,
    judge=judge,
    nothing=say("the new drive has no system or data volume that can be read"),
    page=cleandoc(__doc__),
)
