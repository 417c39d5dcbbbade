"""A partition has a different GUID of its own on the new drive.

## What it compares
The unique GUID of each partition, on two GPT drives; and whether the new drive gives one GUID to
two partitions.

## Why it matters
The boot store, the firmware's boot entries and drive letters name a partition by its GUID. The
same GUIDs are right, and both drives must then never be attached to a machine that is starting.
New GUIDs are right as well, if everything that names the partitions was rewritten to match.

## Levels
- `review`: a GUID is another one, or two partitions of the new drive share one. The boot rules
  tell whether what names it was rewritten: if it still names the old one, they say `stop`.
- `note`: of a reserved partition (Microsoft reserved, swap), which nothing names; or where every
  partition that the boot store of the new drive names is there: then it was rewritten.

## What to do
Give the partition its old GUID back with a partitioning tool, or see that the machine and its
recovery environment start from the new drive alone.

## Sources
UEFI 2.10 section 5.3.3 (software that copies GPT drives has to make new GUIDs; with duplicates the
results are indeterminate); Microsoft Learn, "BcdDeviceQualifiedPartitionData".
"""

from __future__ import annotations

from collections import Counter
from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import references_fit
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import is_reserved, name_of, tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_START = say(
    "Give it back its old GUID, or check that the computer starts from the new drive alone."
)
_HARMLESS = say("Nothing to do: no configuration refers to a reserved partition.")
_FITS = say(
    "The boot store matches the new GUID; check that the computer starts from the new drive alone."
)
_UNIQUE = say("Give one of them a new GUID with a partitioning tool, then check again.")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare every pair's GUIDs where both have one, and look for shared ones."""
    shared = _shared(case.source), _shared(case.target)
    for old, new in case.matched:
        if old.guid is None or new.guid is None:
            continue
        answer.compared()
        if old.guid != new.guid:
            level, advice = Level.REVIEW, _START
            if is_reserved(old):
                level, advice = Level.NOTE, _HARMLESS
            elif references_fit(case.target):
                level, advice = Level.NOTE, _FITS
            answer.find(
                level,
                say(
                    "{partition} has a different GUID on the new drive.",
                    partition=name_of(new),
                ),
                advice,
                partition=new.number,
                source=old.guid,
                target=new.guid,
            )
        faults = (
            _share(old) if old.guid in shared[0] else None,
            _share(new) if new.guid in shared[1] else None,
        )
        values = old.guid, new.guid
        tell_fault(
            answer,
            Level.REVIEW,
            name_of(new),
            faults,
            _UNIQUE,
            partition=new.number,
            values=values,
        )


def _shared(header: Header) -> frozenset[str]:
    counts = Counter(item.guid for item in header.partitions if item.guid is not None)
    return frozenset(guid for guid, count in counts.items() if count > 1)


def _share(partition: Partition) -> Message:
    return say("has the same GUID as another partition there: {guid}", guid=partition.guid or "")


RULE = Rule(
    slug="partition-guid",
    area=Area.PARTITION,
    required=True,
    judge=judge,
    nothing=say("no partition has a GUID on both drives"),
    page=cleandoc(__doc__),
)
