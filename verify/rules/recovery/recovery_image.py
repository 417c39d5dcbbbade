"""The image that the recovery environment starts from is missing or damaged on the new drive.

## What it compares
The header and the length of every recovery and installation image of the old drive with those of
the new one; and what the boot store names for recovery: the image, and the RAM disk's description
beside it. Whether their contents are the same is checked by `file-content`, as deeply as was read.

## Why it matters
Nobody starts the recovery environment after a clone. That its image is half of what it was is
found out on the day that it is needed.

## Levels
- `stop`: an image was good on the old drive, and is missing, shorter, longer, damaged or another
  one on the new; what the boot store names for recovery was there and is not.
- `note`: the old drive has the same fault. Another fault there is no excuse for a new one.
- not examined: files that were not looked at.

## What to do
Copy the image again from the old drive, and see that the recovery environment starts.

## Sources
Microsoft, "Windows Imaging File Format (WIM)"; docs/formats/wim.md.
"""

from __future__ import annotations

from dataclasses import replace
from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import (
    became,
    file_state,
    leave_out_unseen,
    locate,
    records,
    same_reference,
    source_store,
    stores,
)
from verify.rules.rule import Area, Level, Rule
from verify.rules.shared import tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.boot.boot_record import RecoveryImage
    from verify.boot.store_record import Reference
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_COPY = say("Copy it again from the old drive, then check that the recovery environment starts.")
_CLONE = say(
    "Clone the missing partition as well, then check that the recovery environment starts."
)
_REPLACE = say(
    "The old drive has no good copy: take it from a backup or from"
    " installation media, then check that the recovery environment starts."
)
_MISPLACED = say("is not where the boot store expects it")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Compare every image, then what boot stores name."""
    has_images = any(
        record.images for side in (case.source, case.target) for _, record in records(side)
    )
    if not has_images and not any(map(_names_recovery, (case.source, case.target))):
        return
    leave_out_unseen(case, answer)
    for pair in case.pairs:
        old, new = pair.source, pair.target
        if old is None or old.boot is None or (new is not None and new.boot is None):
            continue
        here = {item.path.lower(): item for item in new.boot.images} if new and new.boot else {}
        for image in old.boot.images:
            answer.compared()
            twin = here.get(image.path.lower())
            tell_fault(
                answer,
                Level.STOP,
                say("The recovery image {path}", path=image.path),
                (_damage(image), _fault(image, twin)),
                _COPY if new else _CLONE,
                partition=pair.number,
                values=(image.size_bytes, twin.size_bytes if twin else None),
                known=twin is not None and replace(twin, path=image.path) == image,
                remedy=_REPLACE,
            )
    _judge_named(case, answer)


def _fault(old: RecoveryImage, new: RecoveryImage | None) -> Message | None:
    if new is None:
        return say("is missing")
    if new.problem is not None:
        return _damage(new)
    if new.size_bytes != old.size_bytes:
        return say(
            "has {new:,} bytes (on the old drive: {old:,})",
            new=new.size_bytes or 0,
            old=old.size_bytes or 0,
        )
    if new.guid != old.guid:
        return say("is a different image")
    return None


def _damage(image: RecoveryImage) -> Message | None:
    return None if image.problem is None else say("is damaged: {problem}", problem=image.problem)


def _judge_named(case: Case, answer: RuleAnswer) -> None:
    """Judge the files that the target's boot stores name for recovery."""
    for own, store in stores(case.target):
        twin = source_store(case, own, store)
        missing: dict[str, bool] = {}
        for reference in store.references:
            path = _recovery_file(reference)
            if path is None:
                continue
            answer.compared()
            place = _misses(case.target, own, reference, path)
            if place is not None:
                same = same_reference(twin[1].references, reference) if twin else None
                known = twin is not None and _recovery_file(same) == path
                was = _misses(case.source, twin[0], same, path) if twin and same and known else None
                as_before = became(case, was, place)
                missing[path] = missing.get(path, True) and as_before
        for path, as_before in missing.items():
            tell_fault(
                answer,
                Level.STOP,
                say("{path}", path=path),
                (_MISPLACED if as_before else None, _MISPLACED),
                _COPY,
                partition=own.number,
                remedy=_REPLACE,
            )


def _names_recovery(header: Header) -> bool:
    return any(
        _recovery_file(reference) is not None
        for _, store in stores(header)
        for reference in store.references
    )


def _recovery_file(reference: Reference | None) -> str | None:
    """Return the file of recovery that a reference names: an image, or a RAM disk's description."""
    if reference is None:
        return None
    if "recovery" in reference.reached_by and reference.device.kind == "ramdisk":
        return reference.device.path
    if "options" in reference.reached_by and reference.purpose == "options":
        return reference.path
    return None


def _misses(header: Header, own: Partition, reference: Reference, path: str) -> Partition | None:
    """Return the partition that lacks the file; boot-reference checks whether it is there."""
    partition = locate(header, reference.device, own).partition
    return partition if partition is not None and file_state(partition, path) is False else None


RULE = Rule(
    slug="recovery-image",
    area=Area.RECOVERY,
    required=True,
    judge=judge,
    nothing=say("neither drive has a recovery image"),
    page=cleandoc(__doc__),
)
