"""What of a running machine is held against the record of its new drive, one look at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from verify.text.message import joined, say
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header, Partition
    from verify.platforms.running_machine import BootEntry, Machine, SeenDrive, SeenPartition

State = Literal["fits", "differs", "beware", "not_told"]

LEAST_FREE = 0.05
"""Share of a volume that has to be free: common practice, as in the rule `free-space`."""


_TRIMS: dict[str, tuple[State, str]] = {
    "on": ("fits", say("TRIM is on")),
    "off": ("beware", say("TRIM is off")),
    "not_told": ("not_told", say("TRIM is not reported")),
}


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was looked at. Those that `decide` have to fit for a yes."""

    what: str
    state: State
    message: str
    decides: bool = True


def _pairs(
    here: SeenDrive, target: Header
) -> Iterator[tuple[Partition, SeenPartition | None, int]]:
    """Yield each recorded partition with the one that is there now, by GUID or else by place."""
    seen = here.table.partitions if here.table else ()
    sector = target.drive.sector_bytes
    for partition in target.partitions:
        start = partition.start_lba * sector
        now = next(
            (
                item
                for item in seen
                if (partition.guid and item.guid == partition.guid) or item.start_bytes == start
            ),
            None,
        )
        yield partition, now, sector


def partitions(here: SeenDrive, target: Header) -> Check:
    """Hold every partition against its record."""
    if here.table is None or not target.partitions:
        words = say("The partition table of {drive} was not read.", drive=here.name)
        return Check("partitions", "not_told", words)
    told: list[str] = []
    for partition, now, sector in _pairs(here, target):
        if now is None:
            told.append(say("partition {number} is missing", number=partition.number))
        elif not _is_in_place(partition, now, sector):
            told.append(say("partition {number} differs from its record", number=partition.number))
    more = len(here.table.partitions) - len(target.partitions)
    if more > 0 and not told:
        told.append(say("{more} more than recorded", more=more))
    if told:
        words = say("The partitions changed: {what}.", what=joined(told, "; "))
        return Check("partitions", "differs", words)
    words = say("All partitions are as recorded ({number}).", number=len(target.partitions))
    return Check("partitions", "fits", words)


def _is_in_place(partition: Partition, now: SeenPartition, sector: int) -> bool:
    """Whether it has its place, size, type and GUID, as far as the system tells them."""
    recorded = (
        (now.start_bytes, partition.start_lba * sector),
        (now.size_bytes, partition.sectors * sector),
        (now.type, partition.type),
        (now.guid, partition.guid),
    )
    return all(there is None or there == then for there, then in recorded)


def filesystems(here: SeenDrive, target: Header) -> Check:
    """Hold kind, identifier and size of every filesystem against its record."""
    told: list[str] = []
    compared = 0
    for partition, now, _ in _pairs(here, target):
        then = partition.filesystem
        if now is None or now.filesystem is None:
            continue
        compared += 1
        if (now.filesystem, now.filesystem_id) != (then.kind, then.id):
            told.append(say("partition {number} has another filesystem", number=partition.number))
        elif now.filesystem_bytes != then.size_bytes:
            told.append(
                say(
                    "the filesystem of partition {number} has another size",
                    number=partition.number,
                )
            )
    if told:
        words = say("The filesystems changed: {what}.", what=joined(told, "; "))
        return Check("filesystems", "differs", words)
    if not compared:
        words = say("The filesystems were not checked: this system does not report them.")
        return Check("filesystems", "not_told", words, decides=False)
    words = say("All filesystems are as recorded ({number}).", number=compared)
    return Check("filesystems", "fits", words)


def free_space(machine: Machine, here: SeenDrive, target: Header) -> Check:
    """Say how much of the system volume is free, beside what was when it was read."""
    size, free = machine.system.size_bytes, machine.system.free_bytes
    if not size or free is None:
        words = say("Free space is not reported.")
        return Check("free-space", "not_told", words, decides=False)
    then = _recorded_free(machine, here, target)
    words = say(
        "{free} of {size} ({share:.0%}) are free{before}.",
        free=decimal_size(free),
        size=decimal_size(size),
        share=free / size,
        before=""
        if then is None
        else say("; {size} when it was recorded", size=decimal_size(then)),
    )
    state: State = "beware" if free < LEAST_FREE * size else "fits"
    return Check("free-space", state, words, decides=False)


def _recorded_free(machine: Machine, here: SeenDrive, target: Header) -> int | None:
    """Return what was free on the system volume when it was read."""
    used = [name.removeprefix(here.name).lstrip("p") for name in machine.system.partitions]
    numbers = {int(number) for number in used if number.isdigit()} or {0}
    free = [item.filesystem.free_bytes for item in target.partitions if item.number in numbers]
    return free[0] if len(free) == 1 else None


def trim(machine: Machine) -> Check:
    """Say whether the drive is told what is free."""
    state, words = _TRIMS[machine.trim.answer]
    told = say("{words}: {detail}.", words=words, detail=machine.trim.detail)
    return Check("trim", state, told, decides=False)


def boot_entries(machine: Machine, here: SeenDrive) -> Check:
    """Say which entry of the firmware this run was started by, and whether it names this drive."""
    firmware = machine.firmware
    if firmware.untold is not None:
        words = say("Boot entries are not reported: {reason}.", reason=firmware.untold)
        return Check("boot-entries", "not_told", words, decides=False)
    started = next((item for item in firmware.entries if item.number == firmware.current), None)
    if started is None or started.partition is None:
        words = (
            say("The machine was started without a boot entry.")
            if started is None
            else say(
                "The machine was started by the boot entry {entry}, which names no partition.",
                entry=_entry(started),
            )
        )
        return Check("boot-entries", "not_told", words, decides=False)
    entry = _entry(started)
    if started.partition not in _identifiers(here):
        words = say(
            "The machine was started by the boot entry {entry}, which names a"
            " partition of another drive.",
            entry=entry,
        )
        return Check("boot-entries", "differs", words)
    words = say(
        "The machine was started by the boot entry {entry}, which names a partition of {drive}.",
        entry=entry,
        drive=here.name,
    )
    if all(drive.table for drive in machine.drives):
        known = set().union(*map(_identifiers, (here, *machine.drives)))
        named = [item for item in firmware.entries if item.partition is not None]
        if stale := [_entry(item) for item in named if item.partition not in known]:
            names = ", ".join(stale)
            more = say("Boot entries that name no attached partition: {names}.", names=names)
            words = joined((words, more), " ")
    return Check("boot-entries", "fits", words)


def _identifiers(drive: SeenDrive) -> set[str | None]:
    """Return what a start-up entry can name a partition of a drive by: GUID, or MBR signature."""
    if drive.table is None:
        return set()
    return {drive.table.disk_id, *(item.guid for item in drive.table.partitions)}


def _entry(entry: BootEntry) -> str:
    return f"Boot{entry.number} ({entry.description})"
