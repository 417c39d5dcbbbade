"""Files or folders of the old drive are not on the new one.

## What it compares
Every name that both listings hold: files, folders, links and other nodes of every partition whose
filesystem can be read, by their full path.

## Why it matters
A file that was never copied is gone for good once the old drive is wiped, and nobody looks for it
until it is needed.

## Levels
- `stop`: a file or folder is missing, whatever its folder is called. If the moment of the copy is
  known (`source-used-since`), files added to the old drive later are reported there, and renamed
  files are found under their earlier name.
- `review`: it was created while a running system's volume was being copied; it belongs to the
  offline-files store; or its name differs only in upper and lower case, in a folder that ignores
  case.
- `review`: a program's data (settings, passwords, addresses, bookmarks) existed before the clone
  and was written after it; or it is missing on a new drive that was used since.
- `review`: an office document is missing from a folder of temporary files, where mail programs put
  what is opened from a mail.
- `review`: twenty or more logs and caches of a running system are missing, and the new drive has
  none of that sort: a copy left them out.
- reported as an expected change instead: what most cloning tools leave out on purpose (page and
  hibernation files, the snapshot store, the waste bin, temporary folders) and, where no moment of
  the clone is known, what a running system makes and deletes all the time.
- not examined: a listing that could not be read, or not to its end.

## What to do
Copy what is missing from the old drive, or clone again, and check again before the wipe.

## Sources
Common practice. What cloning tools leave out on purpose: see `file-expected-change`.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.matching.pair_contents import Bag
from verify.matching.weigh import MOVING
from verify.rules.contents.gather import tell_gathered
from verify.rules.contents.pairs import compared_files
from verify.rules.rule import Area, Level, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

MANY_MOVING = 20
"""So many logs and caches do not all go by themselves (common practice)."""

_NONE = Bag()


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell what is missing, folder by folder."""
    for number, files in compared_files(case, answer):
        answer.compared(files.totals.rows + files.missing.count)
        tell_gathered(answer, number, files.missing)
        lost = files.missing.bags.get(MOVING, _NONE).count
        if lost >= MANY_MOVING and not files.moving_kept:
            answer.find(
                Level.REVIEW,
                say(
                    "The logs and caches that a running system writes ({lost:,} files) are"
                    " missing on the new drive.",
                    lost=lost,
                ),
                say(
                    "Find out whether they were left out on purpose; if not, clone whole"
                    " partitions again."
                ),
                partition=number,
            )


RULE = Rule(
    slug="file-missing",
    area=Area.CONTENTS,
    required=True,
    judge=judge,
    nothing=say("no partition has files that can be listed"),
    page=cleandoc(__doc__),
)
