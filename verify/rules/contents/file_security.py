"""Owners or access rights are not those of the old drive.

## What it compares
For every name on both drives, at every depth. NTFS: the security descriptor (owner, group, both
access lists, whether it inherits), by the record's identifier or its own copy. ext: owner, group,
mode with setuid and setgid, access lists, capabilities and all other extended attributes.

## Why it matters
Programs that may not read their own files fail; files that anybody may read are a fault of
another kind; a program without its capabilities or its setuid bit does not work.

## Levels
- `review`: any difference, gathered by what it is and by folder.
- not examined: owners that one side does not tell, as on FAT.

What a clone rewrites or leaves out by itself, and a running system's own logs and hives, take no
part.

## What to do
Clone by partition, not file by file; then owners and rights come over with the filesystem.

## Sources
libfsntfs, NTFS format; [MS-DTYP] 2.4; Linux kernel Documentation/filesystems/ext4.
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
    """Tell whose owner or rights differ."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.secured)
        tell_gathered(answer, number, files.security)
        if files.unsecured:
            answer.leave_out(
                counted(
                    "{count} file or folder of partition {number} has an owner and rights on"
                    " one drive only",
                    "{count} files and folders of partition {number} have owners and rights"
                    " on one drive only",
                    files.unsecured,
                    number=number,
                )
            )


RULE = Rule(
    slug="file-security",
    area=Area.CONTENTS,
    required=False,
    judge=judge,
    nothing=say("no partition has files with owners on both drives"),
    page=cleandoc(__doc__),
)
