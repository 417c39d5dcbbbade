"""What of a running machine is held against the record of its new drive, one look at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.machine.running_machine import BootEntry, Machine, SeenDrive, SeenPartition
    from verify.manifest.header import Header, Partition

State = Literal["fits", "differs", "beware", "not_told"]

LEAST_FREE = 0.05
"""Share of a volume that has to be free: common practice, as in the rule `free-space`."""


_TRIMS: dict[str, tuple[State, str]] = {
    "on": ("fits", "TRIM is on"),
    "off": ("beware", "TRIM is off"),
    "not_told": ("not_told", "TRIM is not told"),
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
        return Check("partitions", "not_told", f"The table of {here.name} was not read.")
    told = []
    for partition, now, sector in _pairs(here, target):
        if now is None:
            told.append(f"partition {partition.number} is not there")
        elif not _is_in_place(partition, now, sector):
            told.append(f"partition {partition.number} is not what was recorded")
    more = len(here.table.partitions) - len(target.partitions)
    if more > 0 and not told:
        told.append(f"there are {more} more")
    if told:
        return Check("partitions", "differs", f"The partitions changed: {'; '.join(told)}.")
    words = f"All {len(target.partitions)} partitions are as recorded."
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
    told, compared = [], 0
    for partition, now, _ in _pairs(here, target):
        then = partition.filesystem
        if now is None or now.filesystem is None:
            continue
        compared += 1
        if (now.filesystem, now.filesystem_id) != (then.kind, then.id):
            told.append(f"partition {partition.number} has another filesystem")
        elif now.filesystem_bytes != then.size_bytes:
            told.append(f"the filesystem of partition {partition.number} has another size")
    if told:
        return Check("filesystems", "differs", f"The filesystems changed: {'; '.join(told)}.")
    if not compared:
        words = "The filesystems were not looked at: this system does not tell."
        return Check("filesystems", "not_told", words, decides=False)
    return Check("filesystems", "fits", f"All {compared} filesystems are those recorded.")


def free_space(machine: Machine, here: SeenDrive, target: Header) -> Check:
    """Say how much of the system volume is free, beside what was when it was read."""
    size, free = machine.system.size_bytes, machine.system.free_bytes
    if not size or free is None:
        words = "How much is free is not told."
        return Check("free-space", "not_told", words, decides=False)
    then = _recorded_free(machine, here, target)
    before = "" if then is None else f"; {decimal_size(then)} when it was recorded"
    words = f"{decimal_size(free)} of {decimal_size(size)} ({free / size:.0%}) are free{before}."
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
    return Check("trim", state, f"{words}: {machine.trim.detail}.", decides=False)


def boot_entries(machine: Machine, here: SeenDrive) -> Check:
    """Say which entry of the firmware this run was started by, and whether it names this drive."""
    firmware = machine.firmware
    if firmware.untold is not None:
        words = f"Start-up entries are not told: {firmware.untold}."
        return Check("boot-entries", "not_told", words, decides=False)
    started = next((item for item in firmware.entries if item.number == firmware.current), None)
    if started is None or started.partition is None:
        what = "no entry" if started is None else f"{_entry(started)}, which names no partition"
        words = f"The machine was started by {what}."
        return Check("boot-entries", "not_told", words, decides=False)
    words = f"The machine was started by {_entry(started)}, which names"
    if started.partition not in _identifiers(here):
        return Check("boot-entries", "differs", f"{words} a partition of another drive.")
    words += f" a partition of {here.name}."
    if all(drive.table for drive in machine.drives):
        known = set().union(*map(_identifiers, (here, *machine.drives)))
        named = [item for item in firmware.entries if item.partition is not None]
        if stale := [_entry(item) for item in named if item.partition not in known]:
            words += f" Entries that name no attached partition: {', '.join(stale)}."
    return Check("boot-entries", "fits", words)


def _identifiers(drive: SeenDrive) -> set[str | None]:
    """Return what a start-up entry can name a partition of a drive by: GUID, or MBR signature."""
    if drive.table is None:
        return set()
    return {drive.table.disk_id, *(item.guid for item in drive.table.partitions)}


def _entry(entry: BootEntry) -> str:
    return f"Boot{entry.number} ({entry.description})"
