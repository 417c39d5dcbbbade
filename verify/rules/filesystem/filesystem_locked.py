"""A volume is encrypted: its files cannot be seen.

## What it compares
Whether either drive's partition is encrypted (BitLocker, LUKS), and, where both are, whether the
encrypted bytes were compared.

## Why it matters
Files that cannot be seen can be neither counted nor compared. Equal encrypted bytes are as good:
what decrypts to the files on one drive decrypts to the same files on the other.

An unlocked, read-only view of a partition can be handed in for each drive (`--view`). Then its
files are compared, and the encrypted bytes besides. A view is tied to its partition by the volume's
identifier where the system names it, else by its size alone, which is said.

## Levels
None: it says `same` where the encrypted bytes were compared and are equal, or the files through
views of both drives were compared, and `not_examined` elsewhere. Bytes that differ are
reported by `raw-content`, encryption on one drive only by `filesystem-kind`.

## What to do
Clone an encrypted volume byte for byte, and check at depth `full`. Have its recovery key at hand
before the first start from the new drive: the machine may ask for it.

## Sources
libbde and libluksde format documents (the signatures); arithmetic.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Rule
from verify.text.message import say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer


def judge(case: Case, answer: RuleAnswer) -> None:
    """Say of every encrypted volume whether its bytes stand for its files."""
    for old, new in case.matched:
        locked = [side.is_locked for side in (old, new)]
        if not any(locked):
            continue
        blocks = case.contents.pairs.get(new.number)
        if old.listing is not None and new.listing is not None and all(locked):
            _judge_seen(case, answer, old, new)
            continue
        _tell_lone_view(answer, old, new)
        if not all(locked):
            drive = OLD if locked[0] else NEW
            answer.leave_out(
                say(
                    "partition {number} is encrypted on the {drive} drive only",
                    number=new.number,
                    drive=drive,
                )
            )
        elif blocks is None or not blocks.raw or not blocks.totals.blocks:
            answer.leave_out(
                say(
                    "the encrypted bytes of partition {number} were not compared", number=new.number
                )
            )
        elif blocks.mismatches or blocks.unreadable.count:
            answer.leave_out(
                say(
                    "the encrypted bytes of partition {number} differ",
                    number=new.number,
                )
            )
        else:
            answer.compared(blocks.totals.blocks)


def _judge_seen(case: Case, answer: RuleAnswer, old: Partition, new: Partition) -> None:
    """Say what was compared through the views of both drives, and what ties them."""
    number, blocks = new.number, case.contents.encrypted.get(new.number)
    files = case.contents.pairs.get(number)
    answer.compared(files.totals.rows if files else 0)
    for side, drive in ((old, OLD), (new, NEW)):
        if side.view is not None and side.view.tie == "size":
            answer.assume(
                say(
                    "the unlocked view given for partition {number} of the {drive} drive is"
                    " linked to it by its size only",
                    number=side.number,
                    drive=drive,
                )
            )
    if blocks is not None and (blocks.mismatches or blocks.unreadable.count):
        answer.assume(
            say(
                "the encrypted bytes of partition {number} differ, as after a new"
                " encryption; its files were compared through the unlocked views",
                number=number,
            )
        )


def _tell_lone_view(answer: RuleAnswer, old: Partition, new: Partition) -> None:
    for side, other, drive in ((old, new, OLD), (new, old, NEW)):
        if side.view is not None and (other.view is None or other.view.listing is None):
            answer.leave_out(
                say(
                    "partition {number} was unlocked on the {drive} drive only, so its files"
                    " could not be compared",
                    number=side.number,
                    drive=drive,
                )
            )


RULE = Rule(
    slug="filesystem-locked",
    area=Area.FILESYSTEM,
    required=False,
    judge=judge,
    nothing=say("no partition is encrypted"),
    page=cleandoc(__doc__),
)
