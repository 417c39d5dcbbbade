"""Start lists that count partitions (boot.ini): what each number means on either drive.

A record of type 0 and an extended one are not counted, every other one is, whatever lies in it: a
partition more in front, or one that became an empty record, turns the number into another one's.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.rules.boot.resolve import file_state, records
from verify.rules.rule import Level
from verify.rules.shared import tell_fault
from verify.text.message import Message, say

if TYPE_CHECKING:
    from verify.boot.boot_record import StartEntry
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_FIX = say("Correct the partition's number in that file on the new drive.")
_KERNEL = "/System32/ntoskrnl.exe"
_EMPTY_TYPE = "00"


def judge(case: Case, answer: RuleAnswer) -> None:
    """Judge what the target's lists name, each entry beside the same one of the source."""
    for new, record in records(case.target):
        for entry in record.start_list:
            if entry.drive:
                answer.assume(
                    say("{file} names a system on another drive as well", file=entry.file)
                )
                continue
            answer.compared()
            before = _before(case.source, entry)
            was = None if before is None else _fault(case.source, before)
            now = _fault(case.target, entry) or _elsewhere(case, before, entry)
            tell_fault(
                answer,
                Level.STOP if entry.default else Level.REVIEW,
                say("{file}", file=entry.file),
                (was, now),
                _FIX,
                partition=new.number,
                known=was == now and before == entry,
            )


def in_order(header: Header) -> list[Partition]:
    """Return the partitions in the order in which they are counted, the first one first."""
    held = [item for item in header.partitions if not item.container and item.type != _EMPTY_TYPE]
    return sorted(held, key=lambda item: item.number)


def _named(header: Header, entry: StartEntry) -> Partition | None:
    there = in_order(header)
    return there[entry.partition - 1] if 0 < entry.partition <= len(there) else None


def _before(source: Header, entry: StartEntry) -> StartEntry | None:
    """Return the same entry of the source: with the same folder, or else its default."""
    entries = [item for _, record in records(source) for item in record.start_list]
    here = [item for item in entries if not item.drive and item.file.lower() == entry.file.lower()]
    alike = (item for item in here if item.folder.lower() == entry.folder.lower())
    default = next((item for item in here if item.default and entry.default), None)
    return next((item for item in here if item == entry), None) or next(alike, default)


def _fault(header: Header, entry: StartEntry) -> Message | None:
    found = _named(header, entry)
    if found is None:
        return say(
            "starts {folder} from partition {count}, but the drive has only {all}",
            folder=entry.folder,
            count=entry.partition,
            all=len(in_order(header)),
        )
    kernel = entry.folder.replace("\\", "/") + _KERNEL
    if entry.folder and file_state(found, kernel) is False:
        return say(
            "starts {folder} from partition {number}, but it is not there",
            folder=entry.folder,
            number=found.number,
        )
    return None


def _elsewhere(case: Case, before: StartEntry | None, entry: StartEntry) -> Message | None:
    """Say that an entry names another partition than the old drive's did, by what became of it."""
    old = None if before is None else _named(case.source, before)
    new = _named(case.target, entry)
    if old is None or new is None:
        return None
    became = next((pair.target for pair in case.pairs if pair.source is old), None)
    if became is not None and became.number == new.number:
        return None
    return say(
        "starts {folder} from partition {number}; on the old drive it was partition {before}",
        folder=entry.folder,
        number=new.number,
        before=old.number,
    )
