"""Files have other contents on the new drive.

## What it compares
The BLAKE3 hashes of the files (with their named streams and the data of reparse points) that were
read on both drives: all of them at depth `full`, a drawn sample at depth `sample`. Links are
compared by what they point to.

## Why it matters
A file can be there, with the right length and the right times, and hold nothing but damage: a bad
cable, bad memory, a read error that the copy stepped over.

## Levels
- `stop`: other contents under the same modification time (damage), or newer on the old drive.
- `stop`, once a partition: a sample that found such a file, with how many were read and how many
  were not, and the command that reads all.
- `stop`: where it is known when the volume was copied (`source-used-since`): last written before
  that and another on the new drive, whatever its folder is called; or nothing but zeros there.
- `review`: open while it was copied (registry, databases, mail stores, disks of virtual machines),
  or written while the volume was being copied.
- told by `source-used-since` and `target-used-since`: written on one of the drives after the clone.
- `review`, where no moment is known: newer on the new drive; the system's or a program's and newer
  on the old one; held open by a running system under one time.
- `review`: a named stream that was lost or has another length.
- told as an expected change instead: page files, boot stores, logs, caches and the like.
- not examined: contents that were not read on both drives; a sample too small to exclude more
  than 0.1 % of the files.

## What to do
Find out which of the two is whole, copy it again, and check at depth `full`.

## Sources
Hypergeometric sampling bound: see the sample's own page. Common practice for what the times say.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.entry import why_unhashed
from verify.rules.contents.gather import tell_gathered
from verify.rules.contents.pairs import compared_files, leave_out_small_sample
from verify.rules.full_check import full_check
from verify.rules.rule import Area, Level, Rule
from verify.text.message import counted, say

if TYPE_CHECKING:
    from verify.matching.pair_contents import PairContents
    from verify.rules.rule import Case, RuleAnswer


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell every file with other contents, and how far the sample reaches."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.hashed)
        tell_gathered(answer, number, files.changed)
        tell_gathered(answer, number, files.streams)
        _tell_sample(case, answer, number, files)
        if files.untried.count:
            answer.leave_out(
                counted(
                    "{count} file of partition {number} claims to be larger than its volume"
                    " (a sparse file) and was not read",
                    "{count} files of partition {number} claim to be larger than their"
                    " volume (sparse files) and were not read",
                    files.untried.count,
                    number=number,
                )
            )
        if files.unreadable.count:
            first = files.unreadable.kept[0]
            side = first.source if first.source and first.source.unhashed else first.target
            reason = why_unhashed(side.unhashed or "") if side else say("unreadable")
            answer.leave_out(
                counted(
                    "{count} file of partition {number} could not be read ({reason})",
                    "{count} files of partition {number} could not be read ({reason})",
                    files.unreadable.count,
                    number=number,
                    reason=reason,
                )
            )
    leave_out_small_sample(case, answer)
    if not any(pair.totals.hashed for pair in case.contents.pairs.values()):
        answer.leave_out(say("no contents were found on both drives, so none were compared"))


def _tell_sample(case: Case, answer: RuleAnswer, number: int, files: PairContents) -> None:
    """Tell of how many a sample that found damage speaks, and how to read all."""
    totals = files.totals
    bad, read, all_of_them = files.drawn_damage, totals.drawn, totals.population
    message = counted(
        "{count:,} of the {read:,} files that were drawn from partition {number} is not as on the"
        " old drive; {rest:,} were not drawn.",
        "{count:,} of the {read:,} files that were drawn from partition {number} are not as on the"
        " old drive; {rest:,} were not drawn.",
        bad,
        read=read,
        number=number,
        rest=all_of_them - read,
    )
    if not bad or read >= all_of_them:
        bad, read, all_of_them = files.block_damage, totals.blocks, totals.block_population
        message = counted(
            "{count:,} of the {read:,} blocks that were drawn from large files of partition"
            " {number} is not as on the old drive; {rest:,} were not drawn.",
            "{count:,} of the {read:,} blocks that were drawn from large files of partition"
            " {number} are not as on the old drive; {rest:,} were not drawn.",
            bad,
            read=read,
            number=number,
            rest=all_of_them - read,
        )
    if bad and read < all_of_them:
        advice = say("Read all of them: {command}", command=full_check(case.source, case.target))
        answer.find(Level.STOP, message, advice, partition=number)


RULE = Rule(
    slug="file-content",
    area=Area.CONTENTS,
    required=True,
    judge=judge,
    nothing=say("no partition has file contents to compare"),
    page=cleandoc(__doc__),
)
