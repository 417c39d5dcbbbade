"""The two drives have different kinds of partition table, or one has none.

## What it compares
The table that decides each drive's partitions: GPT, MBR, or none (one filesystem over the whole
drive).

## Why it matters
A machine that starts by UEFI looks for a GPT, one that starts by BIOS for the code in an MBR. A
clone that changed from one to the other starts only if the firmware's setting and the boot files
were changed with it.

## Levels
- `stop`: the old drive has a table, the new one has none.
- `review`: GPT became MBR or the other way, or the new drive has a table where the old one has
  none. Whether the boot files follow is checked by the boot rules.

## What to do
If the change was meant, see that the machine starts from the new drive alone before the old one is
wiped. If not, clone again without converting.

## Sources
UEFI 2.10 section 5.2.3 (a GPT counts only with its protective record) and section 3.5; Microsoft
Learn, "Hard drives and partitions".
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Level, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_START = say(
    "Check that the computer starts from the new drive alone, or clone again without converting."
)
_CLONE = say("Clone again: without a table the new drive's partitions cannot be found.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare the schemes."""
    old, new = case.source.table.scheme, case.target.table.scheme
    answer.compared()
    if old == new:
        return
    if new == "none":
        message = say(
            "The old drive has a partition table ({scheme}), the new one has none.",
            scheme=old.upper(),
        )
        answer.find(Level.STOP, message, _CLONE, source=old, target=new)
        return
    message = say(
        "The old drive's partition table is {old}, the new one's is {new}.",
        old=old.upper(),
        new=new.upper(),
    )
    if old == "none":
        message = say(
            "The old drive has no partition table, the new one has one ({scheme}).",
            scheme=new.upper(),
        )
    answer.find(Level.REVIEW, message, _START, source=old, target=new)


RULE = Rule(
    slug="table-scheme",
    area=Area.TABLE,
    required=True,
    judge=judge,
    nothing=say("no table was read"),
    page=cleandoc(__doc__),
)
