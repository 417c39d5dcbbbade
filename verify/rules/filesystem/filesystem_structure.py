"""A filesystem's own structures are damaged on the new drive.

## What it compares
What each filesystem's own driver and checker need of the new drive's volumes: headers and their
copies, tables of files, folders and their indexes, lists of where contents lie, checksums. The old
drive's are looked at beside them.

## Why it matters
A volume can give back every file to a lenient reader and be refused by its own system, or lose a
folder at the first check. Nobody sees it while the old drive is still there.

## Levels
- `stop`: the volume's own system refuses it, or a file or folder cannot be read whole; its files
  cannot be listed, or not to their end (its root folder, say), and the old drive's can.
- `review`: its own check repairs the fault without loss (a copy, a count); or changes wait in a log
  that was not applied.
- `note`: the old drive has the same fault at the same place with the same value; or it
  alone.
- not examined: kinds that are not covered, parts that could not be read.

## What to do
Clone the partition again. Where the old drive has the fault as well, let its own system check it.

## Sources
Per filesystem, in docs/formats: the format's own description, and what its driver checks.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.filesystem.examined import examined, groups, tell, tell_gone
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import name_of
from verify.text.message import say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

_AGAIN = say("Clone this partition again before the old drive is wiped.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge the structures of every pair's filesystem."""
    for old, new in case.matched:
        _judge_listing(answer, old, new)
    for old, new, here, before in examined(case, answer, lambda found: found.structure):
        for group in groups(new, here, before):
            tell(answer, group, _AGAIN)
        tell_gone(answer, old, here, before)


def _judge_listing(answer: RuleAnswer, old: Partition, new: Partition) -> None:
    """Judge whether the files of the new drive could be listed, where the old drive's were.

    A root folder or a system record that cannot be read hides all others.
    """
    if new.filesystem.kind not in READABLE_KINDS or old.listing is None:
        return
    if new.listing is not None and new.listing.complete:
        return
    what = "contents" if new.listing is None else "listing"
    reasons = [[item.reason for item in side.unread if item.what == what] for side in (old, new)]
    reason = next((item for item in reasons[1] if item not in reasons[0]), None)
    if reason is None:
        return
    answer.compared()
    examination = new.examination
    applied = examination is not None and examination.log_applied
    waits = new.filesystem.log == "pending" and not applied
    answer.find(
        Level.REVIEW if waits else Level.STOP,
        say(
            "{partition} of the new drive: {reason}.",
            partition=name_of(new),
            reason=reason
            if what == "contents"
            else say("its files could not all be listed: {reason}", reason=reason),
        ),
        _AGAIN,
        partition=new.number,
    )


RULE = Rule(
    slug="filesystem-structure",
    area=Area.FILESYSTEM,
    required=True,
    judge=judge,
    nothing=say("no filesystem whose structures can be examined is on both drives"),
    page=cleandoc(__doc__),
)
