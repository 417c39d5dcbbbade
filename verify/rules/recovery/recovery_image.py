"""The image that the recovery environment starts from is missing or damaged on the new drive.

## What it compares
The header and the length of every recovery and installation image of the old drive with those of
the new one; and what the boot store names for recovery: the image, and the RAM disk's description
beside it. Whether their contents are the same is told by `file-content`, as deeply as was read.

## Why it matters
Nobody starts the recovery environment after a clone. That its image is half of what it was is
found out on the day that it is needed.

## Levels
- `stop`: an image was good on the old drive, and is missing, shorter, longer, damaged or another
  one on the new; what the boot store names for recovery was there and is not.
- `note`: the old drive has the same fault.
- not examined: files that were not looked at.

## What to do
Copy the image again from the old drive, and see that the recovery environment starts.

## Sources
Microsoft, "Windows Imaging File Format (WIM)"; docs/formats/wim.md.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import (
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
    from verify.rules.rule import Case, Tally

_COPY = say("Copy it again from the old drive, and see that the recovery environment starts.")
_MISPLACED = say("is not where the boot store names it")


def judge(case: Case, tally: Tally) -> None:
    """Compare every image, then what boot stores name."""
    has_images = any(
        record.images for side in (case.source, case.target) for _, record in records(side)
    )
    if not has_images and not any(map(_names_recovery, (case.source, case.target))):
        return
    leave_out_unseen(case, tally)
    for pair in case.pairs:
        old, new = pair.source, pair.target
        if old is None or old.boot is None or (new is not None and new.boot is None):
            continue
        here = {item.path.lower(): item for item in new.boot.images} if new and new.boot else {}
        for image in old.boot.images:
            tally.agree()
            fault = _fault(image, here.get(image.path.lower()))
            tell_fault(
                tally,
                Level.STOP,
                say("The image {path}", path=image.path),
                (fault if image.problem else None, fault),
                _COPY,
                partition=pair.number,
                values=(
                    image.size_bytes,
                    getattr(here.get(image.path.lower()), "size_bytes", None),
                ),
            )
    _judge_named(case, tally)


def _fault(old: RecoveryImage, new: RecoveryImage | None) -> Message | None:
    if new is None:
        return say("is missing")
    if new.problem is not None:
        return say("is damaged: {problem}", problem=new.problem)
    if new.size_bytes != old.size_bytes:
        return say(
            "holds {new} bytes, and {old} on the old drive",
            new=new.size_bytes or 0,
            old=old.size_bytes or 0,
        )
    if new.guid != old.guid:
        return say("is another image")
    return None


def _judge_named(case: Case, tally: Tally) -> None:
    """Judge the files that the target's boot stores name for recovery."""
    for own, store in stores(case.target):
        twin = source_store(case, own, store)
        faults: dict[str, Message | None] = {}
        for reference in store.references:
            path = _recovery_file(reference)
            if path is None:
                continue
            tally.agree()
            if _is_missing(case.target, own, reference, path):
                same = same_reference(twin[1].references, reference) if twin else None
                before = _recovery_file(same) if same else None
                was = twin and same and before and _is_missing(case.source, twin[0], same, before)
                faults[path] = _MISPLACED if was else None
        for path, was_fault in faults.items():
            tell_fault(
                tally,
                Level.STOP,
                say("{path}", path=path),
                (was_fault, _MISPLACED),
                _COPY,
                partition=own.number,
            )


def _names_recovery(header: Header) -> bool:
    return any(
        _recovery_file(reference) is not None
        for _, store in stores(header)
        for reference in store.references
    )


def _recovery_file(reference: Reference) -> str | None:
    """Return the file of recovery that a reference names: an image, or a RAM disk's description."""
    if "recovery" in reference.reached_by and reference.device.kind == "ramdisk":
        return reference.device.path
    if "options" in reference.reached_by and reference.purpose == "options":
        return reference.path
    return None


def _is_missing(header: Header, own: Partition, reference: Reference, path: str) -> bool:
    """Whether the partition is there and the file is not; the former is told by boot-reference."""
    partition = locate(header, reference.device, own).partition
    return partition is not None and file_state(partition, path) is False


RULE = Rule(
    slug="recovery-image",
    area=Area.RECOVERY,
    required=True,
    judge=judge,
    nothing=say("neither drive holds an image that a recovery starts from"),
    page=cleandoc(__doc__),
)
