"""The two drives are not an old drive and its clone, or the sides are swapped.

## What it compares
What identifies both drives: disk, partition and filesystem identifiers, and where none is shared
the names and sizes of all files. Whether one of them is blank, or has lost its table. For which
of the two drives their structures were made: starts in boot sectors, size and backup place in a
GPT, the references of boot store and recovery configuration. Which drive was in use longer.
Whether both were read as whole drives.

## Why it matters
With the wrong drive in hand every other answer misleads, and a record under the wrong serial number
gets the only good drive erased. One partition says nothing of the rest of its drive.

## Levels
- `stop`: nothing in common; one drive is blank, or its table is gone; one partition on one side and
  a whole drive on the other. Nothing further is judged then. Also swapped sides, where two
  independent structures of the old drive were made for the new one, and none the other way round.
- `review`: one such structure; the old drive was in use for more than a day longer than the new
  one, which is later use or swapped sides; no identifier in common, and not all names can be seen.
- not examined: one partition only was compared; a drive without a table that nobody confirmed; a
  first sector that cannot be read.

Copied, renewed and resized identities are all right: one identifier in common is enough, and a
copy made file by file has its names. A clone without any trace of its old place cannot be told
apart from the drive it was made from: then only the serial numbers on the labels help.

## What to do
Read model and serial number off both labels, compare them with those named here, and check again
with the right drives in the right order.

## Sources
UEFI 2.10 section 5.3.2 (AlternateLBA, LastUsableLBA); libfsntfs, "NTFS format", Microsoft FAT 1.03
and exFAT 1.00 (the start of the partition in the boot sector). That cloning tools leave these as
they were: common practice.
"""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING

from verify.rules.drive.nothing_in_common import tell_strangers
from verify.rules.drive.swapped_sides import tell_swapped
from verify.rules.rule import Area, Level, Rule
from verify.text.message import Message, counted, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Case, RuleAnswer

SIDES = (OLD, NEW)

_ONE_PARTITION = say("only one partition was compared, not the rest of its drive")
_READ_WHOLE = say("Read the whole drive instead of one partition, then compare again.")
_LOOK = say("Read the serial numbers on both labels and attach the right drive.")
_RESTORE = say("Find out how the table was lost, restore it from its backup, and check again.")
_NO_PARTITIONS = say("neither drive has a partition or a known filesystem")


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge whether the two belong together, as which sides, before anything else is judged."""
    scopes = case.source.scope, case.target.scope
    if "partition" in scopes:
        _judge_partition(case, answer)
        return
    if _any_lost(case, answer):
        return
    if all(is_blank(header) for header in (case.source, case.target)):
        answer.leave_out(_NO_PARTITIONS)
    answer.compared()
    for scope, side in zip(scopes, SIDES, strict=True):
        if scope == "unconfirmed":
            answer.leave_out(
                say(
                    "what was given as the {side} drive has no partition table and may be"
                    " one partition; if it is a whole drive, confirm that with --whole-drive",
                    side=side,
                )
            )
    if not tell_strangers(case, answer):
        tell_swapped(case, answer)


def _judge_partition(case: Case, answer: RuleAnswer) -> None:
    whole = [header.scope == "drive" for header in (case.source, case.target)]
    if not any(whole):
        answer.leave_out(_ONE_PARTITION)
        return
    one, other = SIDES if whole[1] else SIDES[::-1]
    answer.compared()
    message = say(
        "Only one partition of the {one} drive was read, but all of the {other} drive.",
        one=one,
        other=other,
    )
    answer.find(Level.STOP, message, _READ_WHOLE, alone=True)


def _any_lost(case: Case, answer: RuleAnswer) -> bool:
    """Tell of one drive that is blank or has lost its table, while the other has its partitions."""
    for header, other, side, far in (
        (case.target, case.source, NEW, OLD),
        (case.source, case.target, OLD, NEW),
    ):
        if only_a_backup(header):
            answer.compared()
            message = say(
                "The partition table of the {side} drive is gone: only the backup at its end is"
                " left.",
                side=side,
            )
            answer.find(Level.STOP, message, _RESTORE, alone=True)
            return True
        if not is_blank(header) or is_blank(other):
            continue
        if any(item.start_lba == 0 for item in header.capture.unreadable):
            answer.leave_out(say("the first sector of the {side} drive cannot be read", side=side))
            return False
        answer.compared()
        answer.find(Level.STOP, _lost(header, other, side, far), _LOOK, alone=True)
        return True
    return False


def only_a_backup(header: Header) -> bool:
    """Whether the start of the drive has neither a boot record nor a GPT header any more."""
    table = header.table
    if table.used != "backup" or (table.primary is not None and table.primary.signature_ok):
        return False
    return table.mbr is not None and table.mbr.kind in {"none", "empty"}


def is_blank(header: Header) -> bool:
    """Whether nothing on it can be told: no partition, and no filesystem over all of it."""
    if header.table.scheme != "none":
        return all(item.container for item in header.partitions)
    filesystems = (item.filesystem for item in header.partitions)
    return all(item.kind == "unknown" and not item.candidates for item in filesystems)


def _lost(header: Header, other: Header, side: Message, far: Message) -> Message:
    """Say how a drive is blank: its table gone, another's remains on it, or nothing at all."""
    ids = {(item.filesystem.kind, item.filesystem.id) for item in other.partitions}
    unit = other.table.sector_bytes
    places = {(item.filesystem.kind, item.start_lba * unit) for item in other.partitions}
    found = [
        item
        for item in header.remains
        if (item.id and (item.kind, item.id) in ids) or (item.kind, item.start_bytes) in places
    ]
    if found:
        return counted(
            "The partition table of the {side} drive is gone: {count} filesystem of the {far} drive"
            " is still where its table puts it.",
            "The partition table of the {side} drive is gone: {count} filesystems of the {far}"
            " drive are still where its table puts them.",
            len(found),
            side=side,
            far=far,
        )
    copies = (header.table.primary, header.table.backup)
    bare = header.table.scheme == "none"
    if bare and any(copy and copy.disk_guid == other.table.disk_id for copy in copies):
        return say(
            "The partition table of the {side} drive is gone: only a copy of the"
            " {far} drive's table is left.",
            side=side,
            far=far,
        )
    if header.remains:
        return say(
            "The {side} drive has no partition table, and the filesystems found on it are not"
            " those of the {far} drive.",
            side=side,
            far=far,
        )
    if bare:
        return say(
            "The {side} drive is blank: it has no partition table and no known filesystem.",
            side=side,
        )
    return say("The {side} drive is blank: its partition table names no partition.", side=side)


RULE = Rule(
    slug="drive-pair",
    area=Area.DRIVE,
    required=True,
    judge=judge,
    nothing=say("there is nothing to compare"),
    page=cleandoc(__doc__),
)
