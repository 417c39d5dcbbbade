"""Owners, permissions or access lists of files are not those of the old drive.

## What it compares
Nothing yet. This version does not compare
security descriptors, owners, modes, extended attributes and access lists.
The rule stands in the catalogue so that every report says so.

## Why it matters
Programs fail and private files open to others when permissions are lost, though every byte is
there.

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
    tally.leave_out("this version does not judge whether owners and permissions were kept")


RULE = Rule(
    slug="file-security",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing="this version does not judge it",
    page=cleandoc(__doc__),
)
