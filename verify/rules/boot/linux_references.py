"""What Linux configuration names, resolved on both drives.

A name that resolves on neither drive may lie inside an encrypted or logical volume, or on a drive
that is not looked at here: it is reported once for each file, as a note.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from verify.rules.boot.resolve import records
from verify.rules.rule import Level
from verify.text.message import Message, joined, say

if TYPE_CHECKING:
    from verify.boot.boot_record import LinuxReference
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_NEEDED = frozenset({"root", "mount", "crypt", "search"})
_NOT_READ_AT_START = ("/etc/default/", "/etc/kernel/", "/etc/initramfs-tools/")
_TAGS = frozenset({"uuid", "partuuid", "label", "partlabel"})
_HARDWARE_ID = ("ata-", "nvme-", "scsi-", "usb-", "wwn-", "mmc-")
# SPEC: GRUB manual, "Device syntax": (hd0,gpt2); the kernel's names end in the number.
_NUMBER = re.compile(r"(?:,(?:gpt|msdos)?|[a-z]|\dp)(\d+)$")
_LEGACY_GRUB = ("/menu.lst", "/grub.conf")
"""Files of GRUB before version 2, which counts partitions from 0 (its manual, "Naming convention").
"""
_NAMED_FILES = frozenset({"kernel", "initrd", "chainload"})
_MOST_NAMES = 3

_EDIT = say("Use the UUID in that file on the new drive, then rebuild the initial RAM filesystem.")
_FIX = say(
    "Correct the name in that file on the new drive, or clone again and keep the identifiers."
)
_FIX_HERE = say("Correct the name in that file on the new drive.")
_COPY = say("Copy it from the old drive, or clone again.")
_OTHER = say("Nothing to do if it is on another drive, or inside an encrypted or logical volume.")

_Gathered = dict[tuple[str, Message, Level, Message], list["LinuxReference"]]


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge every name in the target's configuration."""
    for partition, record in records(case.target):
        gathered: _Gathered = {}
        for reference in record.linux:
            said = _answer(case, reference)
            if said is None:
                continue
            answer.compared()
            words, level, advice = said
            if words:
                gathered.setdefault((reference.file, words, level, advice), []).append(reference)
        for (file, words, level, advice), references in gathered.items():
            values = list(dict.fromkeys(item.value for item in references))
            more = (
                say(" and {count} more", count=len(values) - _MOST_NAMES)
                if len(values) > _MOST_NAMES
                else ""
            )
            message = say(
                "{file} names {values}{more}, {words}.",
                file=file,
                values=joined(values[:_MOST_NAMES]),
                more=more,
                words=words,
            )
            answer.find(level, message, advice, partition=partition.number, path=file)


def judge_files(case: Case, answer: RuleAnswer) -> None:
    """Judge the kernels and RAM disks that boot loaders name, on any partition."""
    for partition, record in records(case.target):
        for item in record.linux:
            if item.kind != "path" or item.purpose not in _NAMED_FILES:
                continue
            answer.compared()
            if _anywhere(case.source, item.value) and not _anywhere(case.target, item.value):
                message = say(
                    "{file} names {value}, which is missing on the new drive.",
                    file=item.file,
                    value=item.value,
                )
                path = item.value
                answer.find(Level.STOP, message, _COPY, partition=partition.number, path=path)


def _anywhere(header: Header, path: str) -> bool:
    return any(record.file(path) is not None for _, record in records(header))


def _answer(case: Case, item: LinuxReference) -> tuple[Message | None, Level, Message] | None:
    """Return what is wrong with a name, how much that weighs, and advice; `None`: not judged."""
    if item.kind in _TAGS:
        return _tag(case, item)
    if item.kind == "by-path":
        return say("a port that the new drive may not be connected to"), Level.NOTE, _EDIT
    if item.kind == "by-id" and item.value.startswith(_HARDWARE_ID):
        return _hardware(case, item)
    return _device(case, item) if item.kind == "device" else None


def _tag(case: Case, item: LinuxReference) -> tuple[Message | None, Level, Message]:
    if any(has_name(case.target, other, item) for other in case.target.partitions):
        return None, Level.NOTE, _OTHER
    if any(has_name(case.source, other, item) for other in case.source.partitions):
        return say("which is on the old drive but not on the new one"), _weight(item), _FIX
    level = Level.NOTE if _named_before(case, item) else _weight(item)
    return say("which is on neither drive"), level, _OTHER if level is Level.NOTE else _FIX_HERE


def _named_before(case: Case, item: LinuxReference) -> bool:
    """Whether the old drive's configuration named the same, in the same file."""
    return any(
        (old.file, old.purpose, old.kind, old.value)
        == (item.file, item.purpose, item.kind, item.value)
        for _, record in records(case.source)
        for old in record.linux
    )


def has_name(header: Header, partition: Partition, item: LinuxReference) -> bool:
    """Whether a partition goes by a tag's value."""
    if item.kind == "label":
        return partition.filesystem.label == item.value
    if item.kind == "partlabel":
        return partition.name == item.value
    wanted = _bare(item.value)
    if item.kind == "uuid":
        return partition.filesystem.id is not None and _bare(partition.filesystem.id) == wanted
    if partition.guid is not None:
        return _bare(partition.guid) == wanted
    # SPEC: kernel, block/partitions/msdos.c: an MBR partition's is its signature and number.
    return _bare(f"{header.table.disk_id}-{partition.number:02X}") == wanted


def _bare(text: str) -> str:
    return text.replace("-", "").upper()


def _hardware(case: Case, item: LinuxReference) -> tuple[Message | None, Level, Message]:
    serial, other = case.source.drive.serial, case.target.drive.serial
    folded = _letters(item.value)
    if other and _letters(other) in folded:
        return None, Level.NOTE, _OTHER
    if serial and _letters(serial) in folded:
        return say("which contains the old drive's serial number"), _weight(item), _EDIT
    level = Level.NOTE if serial or item.optional else Level.REVIEW
    return say("which contains the serial number of a single drive"), level, _EDIT


def _letters(text: str) -> str:
    return "".join(filter(str.isalnum, text)).upper()


def _device(case: Case, item: LinuxReference) -> tuple[Message | None, Level, Message]:
    """Judge a name that counts drives and partitions."""
    found = _NUMBER.search(item.value)
    legacy = item.value.startswith("hd") and item.file.lower().endswith(_LEGACY_GRUB)
    old = case.source.partition(int(found[1]) + legacy) if found else None
    if old is not None:
        pair = (
            next(pair for pair in case.pairs if pair.source is old) if not old.container else None
        )
        new = pair.target if pair else old
        if new is None or new.number != old.number:
            level = Level.REVIEW if item.purpose == "grub-root" else _weight(item)
            return say("whose number is a different partition on the new drive"), level, _FIX
    if item.purpose == "grub-root":
        return None, Level.NOTE, _OTHER
    buses = case.source.drive.bus, case.target.drive.bus
    if item.value.startswith("/dev/") and None not in buses and buses[0] != buses[1]:
        return say("a name that changes with how the drive is connected"), _weight(item), _EDIT
    return say("which depends on the order in which drives are found"), Level.NOTE, _EDIT


def _weight(item: LinuxReference) -> Level:
    """Return what it means that a name leads nowhere."""
    if item.optional:
        return Level.NOTE
    later = item.file.lower().startswith(_NOT_READ_AT_START)
    return Level.STOP if item.purpose in _NEEDED and not later else Level.REVIEW
