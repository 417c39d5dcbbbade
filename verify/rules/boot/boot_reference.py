"""What the boot configuration of the new drive names is not on it.

## What it compares
Every device element of the boot store that the boot manager can come by (what starts by default,
what it offers, what resumes, what repairs, the options of RAM disks), with the new drive's own
partition table; whether a store starts anything at all; what Linux configuration names (fstab,
crypttab, the kernel's command line, the boot loader's searches); the partitions that boot.ini names
by their number; the volumes that the system's registry gives letters to. The same on the old drive:
what was wrong there already is no fault of the clone.

## Why it matters
A boot store names a partition by GUIDs, or by a signature and a place in bytes. After a clone with
new GUIDs, or after a partition was moved on an MBR drive, it may name what only the old drive has.
While both drives are attached the machine even starts, from the old one.

## Levels
- `stop`: what is needed to start the system or its recovery resolves on the old drive and not on
  the new one; the boot store is gone, cannot be read or starts nothing; the default entry of
  boot.ini names another partition.
- `review`: only resuming, swap or an optional mount is hit; the store's last changes stand in a
  transaction log alone; it differs in more than the drives it names; a drive letter is lost.
- `note`: the old drive names the same, and it resolves there no better; a name that depends on the
  order of drives.
- not examined: an element whose layout is not understood; files that were not looked at.

The same GUIDs with the same references are right, and so are new GUIDs with rewritten references.

## What to do
Let a tool of the system rebuild the boot configuration on the new drive, with the old drive
detached, or clone again and keep the identities.

## Sources
Microsoft Learn (previous versions), the BCD reference; the layout of device elements is
reverse-engineered (docs/formats/bcd.md). For Linux: docs/formats/linux-boot.md.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.boot.store_record import ROUTE_WORDS
from verify.rules.boot import letters, start_lists
from verify.rules.boot import linux_references as linux
from verify.rules.boot.resolve import (
    any_starts,
    leave_out_unseen,
    locate,
    named,
    same_reference,
    source_store,
    starts_by_firmware,
    stores,
)
from verify.rules.boot.store import REBUILD, REBUILD_HERE, judge_rest, judge_state
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import tell_fault
from verify.text.message import Message, counted, joined, say

if TYPE_CHECKING:
    from verify.boot.store_record import BootStore, Reference
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

_RESUME_ALONE = frozenset({"resume"})


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every boot store of the target, then Linux configuration and drive letters."""
    if not any_starts(case):
        return
    leave_out_unseen(case, answer)
    found: set[str] = set()
    for new, store in stores(case.target):
        found.add(store.path.lower())
        _judge_store(case, answer, new, store)
    for old, store in stores(case.source):
        if starts_by_firmware(case.source, old) and store.path.lower() not in found:
            answer.compared()
            message = say("The boot store {path} is missing on the new drive.", path=store.path)
            answer.find(Level.STOP, message, REBUILD, partition=old.number, path=store.path)
    start_lists.judge(case, answer)
    linux.judge(case, answer)
    letters.judge(case, answer)


def _judge_store(case: Case, answer: RuleAnswer, new: Partition, store: BootStore) -> None:
    twin = source_store(case, new, store)
    before = twin[1] if twin else None
    answer.compared()
    judge_state(case, answer, new, (before, store))
    if twin is not None and store.state is not None and twin[1].state is not None:
        judge_rest(answer, new, (twin[1], store))
    gathered: dict[tuple[Message, Level, bool], list[Reference]] = {}
    for reference in store.references:
        if not reference.reachable:
            continue
        place = locate(case.target, reference.device, new)
        if place == type(place)():
            answer.leave_out(
                say(
                    "the device in element {element} of object {object} in {path} has an"
                    " unknown layout",
                    element=reference.element,
                    object=reference.object,
                    path=store.path,
                )
            )
            continue
        answer.compared()
        if place.fault is not None:
            same = same_reference(before.references, reference) if before else None
            known = (
                twin is not None
                and same is not None
                and same.device == reference.device
                and locate(case.source, same.device, twin[0]).fault == place.fault
            )
            key = (
                say(
                    "{named}, but the drive {fault}",
                    named=named(reference.device),
                    fault=place.fault,
                ),
                _level(reference),
                known,
            )
            gathered.setdefault(key, []).append(reference)
    for (fault, level, was), references in gathered.items():
        decides = starts_by_firmware(case.target, new)
        text = say("names in {purposes} {fault}", purposes=_purposes(references), fault=fault)
        tell_fault(
            answer,
            level if decides else Level.NOTE,
            say("The boot store {path}", path=store.path),
            (text if was else None, text),
            REBUILD,
            partition=new.number,
            remedy=REBUILD_HERE,
        )


def _level(reference: Reference) -> Level:
    return Level.REVIEW if set(reference.reached_by) <= _RESUME_ALONE else Level.STOP


def _purposes(references: list[Reference]) -> Message:
    routes = dict.fromkeys(route for item in references for route in item.reached_by)
    return counted(
        "{count} element ({routes})",
        "{count} elements ({routes})",
        len(references),
        routes=joined(ROUTE_WORDS[route] for route in routes),
    )


RULE = Rule(
    slug="boot-reference",
    area=Area.BOOT,
    required=True,
    judge=judge,
    nothing=say("neither drive has start-up files that name a partition"),
    page=cleandoc(__doc__),
)
