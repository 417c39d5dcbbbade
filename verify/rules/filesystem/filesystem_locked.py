"""A volume is encrypted: its files cannot be seen.

## What it compares
Whether either drive's partition is encrypted (BitLocker, LUKS), and, where both are, whether the
encrypted bytes were compared.

## Why it matters
Files that cannot be seen can be neither counted nor compared. Equal encrypted bytes are as good:
what decrypts to the files on one drive decrypts to the same files on the other.

## Levels
None: it says `same` where the encrypted bytes were compared and are equal, and `not_examined`
elsewhere. Bytes that differ are told by `raw-content`, encryption on one drive only by
`filesystem-kind`.

## What to do
Clone an encrypted volume byte for byte, and check at depth `full`. Have its recovery key at hand
before the first start from the new drive: the machine may ask for it.

## Sources
libbde and libluksde format documents (the signatures); arithmetic.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.filesystem.model import LOCKED_KINDS
from verify.rules.model import Area, Rule

if TYPE_CHECKING:
    from verify.rules.model import Case, Tally


def judge(case: Case, tally: Tally) -> None:
    """Say of every encrypted volume whether its bytes stand for its files."""
    for old, new in case.matched:
        locked = [side.filesystem.kind in LOCKED_KINDS for side in (old, new)]
        if not any(locked):
            continue
        blocks = case.contents.pairs.get(new.number)
        if not all(locked):
            drive = "old" if locked[0] else "new"
            tally.leave_out(f"partition {new.number} is encrypted on the {drive} drive alone")
        elif blocks is None or not blocks.raw or not blocks.blocks:
            tally.leave_out(f"the encrypted bytes of partition {new.number} were not compared")
        elif blocks.mismatches or blocks.unreadable.count:
            tally.leave_out(f"the encrypted bytes of partition {new.number} are not all the same")
        else:
            tally.agree(blocks.blocks)


RULE = Rule(
    slug="filesystem-locked",
    area=Area.FILESYSTEM,
    required=False,
    judge=judge,
    nothing="no partition is encrypted",
    page=cleandoc(__doc__),
)
