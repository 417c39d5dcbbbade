"""Links became something else on the new drive.

## What it compares
Names that are one file (hard links): whether they are one file again, and no others are. Symbolic
links, junctions and other reparse points, by their tags and by what they name. At every depth.

## Why it matters
A file that had two names becomes two files; a junction becomes a folder of its own, and takes up
its space twice; a link that points elsewhere opens another file, or none.

## Levels
- `stop`: a link points elsewhere; or a link stands where the old drive has a file or folder, whose
  contents are then not proven.
- `review`: a link points elsewhere and is newer on the new drive; a link or reparse point that is
  something else now; hard links that became files of their own, or files that became one.

The data of reparse points that name nothing (files compressed by the system) are compared by
`file-content`. What a clone rewrites or leaves out by itself takes no part.

## What to do
Clone by partition, not file by file; then links come over with the filesystem.

## Sources
[MS-FSCC] 2.1.2, reparse points; Linux kernel Documentation/filesystems/ext4/inodes.rst.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.contents.gather import tell_gathered
from verify.rules.contents.pairs import compared_files
from verify.rules.rule import Area, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell every link that is not what it was."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.linked)
        tell_gathered(answer, number, files.relinked)


RULE = Rule(
    slug="file-links",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing=say("no partition has links on the old drive"),
    page=cleandoc(__doc__),
)
