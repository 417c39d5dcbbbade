"""Attributes of files are not those of the old drive.

## What it compares
For every name on both drives, at every depth: read-only, hidden, system and like attributes (FAT:
read-only and hidden alone), encryption by the system (EFS), the flags of ext, short names (8.3),
whether a folder tells names apart by case, and whether a file is stored compressed or with holes.

## Why it matters
Hidden files come into sight, read-only ones are overwritten, programs that know a file by its short
name do not find it, and data that was stored compressed may not fit.

## Levels
- `review`: attributes, encryption, short names or a folder's telling of case differ.
- `note`: stored compressed or with holes on one side only; nothing is lost by that.
- not examined: files whose contents are kept elsewhere and fetched when they are opened (cloud
  placeholders): what is not on the old drive is not on the new one. Told once, with their number.

Files encrypted by the system are compared as they are stored. They open only with a key that
lies in a profile of the system, or was saved elsewhere; the outcome says how many there are.
The archive bit is not compared, since every backup clears it.

## What to do
Clone by partition, not file by file; then attributes come over with the filesystem.

## Sources
[MS-FSCC] 2.6, file attributes; Linux kernel Documentation/filesystems/ext4/inodes.rst. Folders that
tell case apart: keramics, "New Technologies File System (NTFS) format".
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.contents.gather import tell_gathered
from verify.rules.contents.pairs import compared_files
from verify.rules.rule import Area, Rule
from verify.text.message import counted, say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell whose attributes differ, and whose contents are not on the drive at all."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.attributed)
        tell_gathered(answer, number, files.attributes)
        if files.totals.encrypted:
            answer.assume(
                counted(
                    "{count} file of partition {number} is encrypted by the system (EFS) and"
                    " opens only with the user's key",
                    "{count} files of partition {number} are encrypted by the system (EFS)"
                    " and open only with the user's key",
                    files.totals.encrypted,
                    number=number,
                )
            )
        if files.totals.placeholders:
            answer.leave_out(
                counted(
                    "{count} file of partition {number} is a placeholder (cloud file): its"
                    " contents are on neither drive",
                    "{count} files of partition {number} are placeholders (cloud files):"
                    " their contents are on neither drive",
                    files.totals.placeholders,
                    number=number,
                )
            )


RULE = Rule(
    slug="file-attributes",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing=say("no partition has files with attributes on both drives"),
    page=cleandoc(__doc__),
)
