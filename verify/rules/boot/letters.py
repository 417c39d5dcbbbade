"""Drive letters that a Windows system keeps for volumes of its drive (`MountedDevices`)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.rules.boot.resolve import partner, records
from verify.rules.rule import Level
from verify.rules.shared import start_bytes
from verify.text.message import joined, say

if TYPE_CHECKING:
    from verify.boot.boot_record import MountedDevice
    from verify.manifest.header import Header
    from verify.rules.rule import Case, RuleAnswer

_LETTER = "\\dosdevices\\"
_ADVICE = say(
    "Start from the new drive alone and check that the system volume still"
    " has its drive letter; with another letter programs, or even signing in,"
    " may fail."
)


def judge(case: Case, answer: RuleAnswer) -> None:
    """Tell the letters whose volume was on the old drive and is not on the new one."""
    for new, record in records(case.target):
        old = partner(case, new)
        if record.registry is None or old is None:
            continue
        lost = []
        for item in record.registry.mounted:
            if not item.name.lower().startswith(_LETTER) or item.kind not in ("gpt", "mbr"):
                continue
            answer.compared()
            if _is_there(case.source, item) and not _is_there(case.target, item):
                lost.append(item.name[len(_LETTER) :])
        if lost:
            message = say(
                "The registry assigns {lost} to volumes by identifiers that the new"
                " drive does not have.",
                lost=joined(lost),
            )
            path = record.registry.path
            answer.find(Level.REVIEW, message, _ADVICE, partition=new.number, path=path)


def _is_there(header: Header, item: MountedDevice) -> bool:
    if item.kind == "gpt":
        return any(other.guid == item.partition_id for other in header.partitions)
    offsets = {start_bytes(header, other) for other in header.partitions}
    return header.table.disk_id == item.disk_id and item.partition_offset in offsets
