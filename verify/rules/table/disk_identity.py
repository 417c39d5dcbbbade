"""The new drive has a different identity (GPT disk GUID, MBR signature), or none.

## What it compares
The GUID in the GPT header, or the four-byte signature in the MBR, of both drives, where both have
the same kind of table.

## Why it matters
Boot stores, recovery configurations and drive letters name a drive by this identity. A new one is
right if everything that names it was rewritten with it; else the machine looks for a drive that is
no longer there. The same identity is right as well, with one danger: two drives with one identity
in a machine that is starting are told apart by chance. One of them may be set offline, or given
a new signature, and then it no longer starts. Never attach both while a machine starts.

## Levels
- `review`: the identity is another one, or the new drive has none. The boot rules tell whether
  what names it was rewritten: if it still names the old one, they say `stop`.
- `note`: another identity, and every partition that the boot store of the new drive names is there
  under it: then it was rewritten.

## What to do
Same identity: take the old drive out before the machine is started with the new one, and never
attach both to a starting machine. New identity: see that the machine starts from the new drive
alone, the recovery environment as well.

## Sources
UEFI 2.10 section 5.3.3 (software that copies GPT drives has to make new GUIDs; with duplicates the
results are indeterminate); Microsoft Learn, "BcdDeviceQualifiedPartitionData" (what a boot store
names) and "Fixing Disk Signature Collisions".
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import references_fit
from verify.rules.rule import Area, Level, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from verify.rules.rule import Case, RuleAnswer
    from verify.table.partition_table import Table

_NONE = frozenset({"00000000", "00000000-0000-0000-0000-000000000000"})
_START = say("Check that the computer and its recovery environment start from the new drive alone.")


def identity(table: Table) -> str | None:
    """Return the drive's identity; zeros mean that it has none."""
    return None if table.disk_id in _NONE else table.disk_id


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare the identities, where they are of one kind."""
    old, new = identity(case.source.table), identity(case.target.table)
    if case.source.table.scheme != case.target.table.scheme or old == new is None:
        return
    answer.compared()
    if old == new:
        return
    message = say("The new drive has a different disk identifier than the old one.")
    if new is None:
        message = say("The new drive has no disk identifier; the system will give it a new one.")
    elif old is None:
        message = say("The new drive has a disk identifier, the old one has none.")
    level = Level.NOTE if new and references_fit(case.target) else Level.REVIEW
    answer.find(level, message, _START, source=old, target=new)


RULE = Rule(
    slug="disk-identity",
    area=Area.TABLE,
    required=True,
    judge=judge,
    nothing=say("the drives have no disk identifiers that can be compared"),
    page=cleandoc(__doc__),
)
