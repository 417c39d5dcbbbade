"""Source and target are one drive, or cannot be told apart from one.

## What it compares
For two devices the serial numbers and models that the drives themselves give. For two image files
the file behind each path, on the machine that read them. A file and a device are never one.

## Why it matters
A drive compared with itself is equal in everything: every other rule would say `same`, and the
drive that is wiped afterwards would be the only one there is.

## Levels
- `stop`: one file on both sides; two devices with the same serial and model; a device without a
  serial that was read twice at the same time under the same name.
- not examined: neither device has a serial of its own (an adapter's own number tells nothing
  about the drive in it, and a name such as a device file is given to the next drive as well), or
  two models give the same serial.

A byte-for-byte copy in another file is a clone, and a good one.

## What to do
Check the two paths. Where the drives cannot be told apart, attach both at once, directly or to
adapters that pass the drive's serial on, and compare the serials with the labels on the drives.

## Sources
Linux kernel Documentation/ABI/stable/sysfs-block (what a system tells of a drive); that adapters
answer with numbers of their own is common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.manifest.serial import own_serial
from verify.rules.rule import Area, Level, Rule
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.manifest.header import DriveInfo
    from verify.rules.rule import Case, RuleAnswer

_ONE_FILE = say("Source and target are one and the same file.")
_ONE_DRIVE = say("Source and target are one and the same drive.")
_CHECK = say("Check the two paths: one of them must be the new drive.")
_NO_SERIAL = say(
    "the drives report no serial number, so this could be one drive read"
    " twice; attach them without adapters, or compare the serial numbers on"
    " their labels"
)
_TWO_MODELS = say(
    "both drives report the same serial number but different models; compare their labels"
)
_NO_FILE_ID = say(
    "the system does not report whether the two files are the same; compare their paths"
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell one drive from two."""
    old, new = case.source.drive, case.target.drive
    if old.kind != new.kind:
        answer.compared()
        if _one_name(case):
            _stop(case, answer, _ONE_FILE)
    elif old.kind == "image":
        _judge_files(case, answer)
    else:
        _judge_devices(case, answer)


def _judge_files(case: Case, answer: RuleAnswer) -> None:
    if None in (case.source.drive.file_id, case.target.drive.file_id):
        answer.leave_out(_NO_FILE_ID)
    else:
        answer.compared()
        if _one_name(case):
            _stop(case, answer, _ONE_FILE)


def _judge_devices(case: Case, answer: RuleAnswer) -> None:
    old, new = case.source.drive, case.target.drive
    serials = own_serial(old), own_serial(new)
    if None not in serials:
        if serials[0] == serials[1] and old.model != new.model:
            answer.leave_out(_TWO_MODELS)
            return
        answer.compared()
        if serials[0] == serials[1]:
            _stop(case, answer, _ONE_DRIVE)
    elif _one_name(case) and _at_one_time(case):
        answer.compared()
        _stop(case, answer, _ONE_DRIVE)
    elif serials != (None, None) and _at_one_time(case):
        answer.compared()
    else:
        answer.leave_out(_NO_SERIAL)


def _one_name(case: Case) -> bool:
    """Whether both were read under one identity of one machine: it means nothing on another."""
    same_host = case.source.capture.host == case.target.capture.host
    return same_host and bool(_names(case.source.drive) & _names(case.target.drive))


def _names(drive: DriveInfo) -> set[str]:
    """Return what a drive goes by on its machine: itself, and the image behind a loop device."""
    return {name for name in (drive.file_id, drive.backing_id) if name is not None}


def _at_one_time(case: Case) -> bool:
    """Whether the two readings overlap, on one machine: then two names are two devices."""
    old, new = case.source.capture, case.target.capture
    return old.host == new.host and old.started <= new.ended and new.started <= old.ended


def _stop(case: Case, answer: RuleAnswer, message: Message) -> None:
    paths = case.source.drive.path, case.target.drive.path
    answer.find(Level.STOP, message, _CHECK, source=paths[0], target=paths[1])


RULE = Rule(
    slug="drive-same",
    area=Area.DRIVE,
    required=True,
    judge=judge,
    nothing=say("there is nothing to compare"),
    page=cleandoc(__doc__),
)
