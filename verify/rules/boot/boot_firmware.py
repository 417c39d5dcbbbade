"""What the machine itself keeps about starting cannot be seen on a drive.

## What it compares
Nothing: it says what no reading of two drives can tell.

## Why it matters
A UEFI machine keeps its start entries in its own memory, by the GUID of the partition; Secure Boot
and a key bound to the machine's security chip are there as well. A clone can be whole, and the
machine still offer only the old drive, refuse the loader, or ask for a recovery key.

## Levels
None: it is always `not_examined`.

## What to do
Start the machine once from the new drive alone, before the old drive is wiped. Have the recovery
key of an encrypted volume at hand first.

## Sources
UEFI 2.10 sections 3.1 (the boot manager's variables), 10.3.5.1 (the partition's GUID in an entry)
and 32 (Secure Boot).
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.rule import Area, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer

_UNSEEN = say(
    "boot entries, Secure Boot and TPM keys are stored in the computer, so they were not checked:"
    " start it once from the new drive alone"
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Say what cannot be seen, and what an encrypted volume needs."""
    if case.source.drive.kind == "image":  # nobody knows here which drives these are of
        answer.leave_out(_UNSEEN)
    else:
        answer.leave_out(
            say(
                "{unseen} before the old one is wiped",
                unseen=_UNSEEN,
            )
        )
    for header in (case.source, case.target):
        for item in header.partitions:
            if item.is_locked:
                answer.leave_out(
                    say(
                        "partition {number} is encrypted: have its recovery key at hand for the"
                        " first start, the computer may ask for it",
                        number=item.number,
                    )
                )


RULE = Rule(
    slug="boot-firmware",
    area=Area.BOOT,
    required=False,
    judge=judge,
    nothing=say("this can never be examined from a drive"),
    page=cleandoc(__doc__),
)
