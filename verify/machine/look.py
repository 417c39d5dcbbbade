"""The machine this runs on: what its system tells, with the tables of drives that may be read."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING

from verify.machine.tables import with_table
from verify.platforms.this import PLATFORM

if TYPE_CHECKING:
    from verify.platforms.running_machine import Machine, SeenDrive


def look_at_machine() -> Machine:
    """Return what this machine tells of itself.

    Raises:
        MachineUntold: it does not.
    """
    machine = PLATFORM.machine()
    return replace(machine, drives=_with_tables(machine.drives))


def attached_drives(
    *, every_sort: bool = False, opening: bool = True, asking: bool = False
) -> tuple[SeenDrive, ...]:
    """Return the drives attached to this machine.

    Args:
        every_sort: also what is made of drives, such as sets and logical volumes on Linux.
        opening: read the tables of drives that this user may read; some systems tell them.
        asking: ask each drive for its health.

    Raises:
        MachineUntold: the system does not tell.
    """
    drives = PLATFORM.drives(every_sort=every_sort)
    drives = _with_tables(drives) if opening else drives
    if not asking:
        return drives
    # NOTE: at once, since a drive that fails may take all the time that it is given.
    with ThreadPoolExecutor(max_workers=max(1, len(drives))) as pool:
        answers = pool.map(PLATFORM.health, [drive.path for drive in drives])
        return tuple(
            replace(drive, health=health) for drive, health in zip(drives, answers, strict=True)
        )


def _with_tables(drives: tuple[SeenDrive, ...]) -> tuple[SeenDrive, ...]:
    return tuple(map(with_table, drives)) if PLATFORM.opens_devices else drives
