"""Links became something else on the new drive.

## What it compares
Nothing yet. This version does not compare
hard links, symbolic links, junctions and other reparse points.
The rule stands in the catalogue so that every report says so.

## Why it matters
A file that had two names becomes two files; a junction becomes a folder of its own, and takes up
its space twice.

## Levels
- not examined: always, in this version; a verdict of `sound` does not need it.

## What to do
Clone by partition, not file by file; then these come over with the filesystem.

## Sources
Common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.model import Area, Rule

if TYPE_CHECKING:
    from verify.rules.model import Case, Tally


def judge(_case: Case, tally: Tally) -> None:
    """Say that nothing was examined."""
    tally.leave_out(
        "this version does not judge whether hard links were kept; what links point to is"
        " compared by file-content"
    )


RULE = Rule(
    slug="file-links",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing="this version does not judge it",
    page=cleandoc(__doc__),
)
