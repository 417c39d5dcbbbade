"""The machine this runs on: what its system tells, with the tables of drives that may be read."""

from __future__ import annotations

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


def attached_drives(*, every_sort: bool = False, opening: bool = True) -> tuple[SeenDrive, ...]:
    """Return the drives attached to this machine.

    Args:
        every_sort: also what is made of drives, such as sets and logical volumes on Linux.
        opening: read the tables of drives that this user may read; some systems tell them.

    Raises:
        MachineUntold: the system does not tell.
    """
    drives = PLATFORM.drives(every_sort=every_sort)
    return _with_tables(drives) if opening else drives


def _with_tables(drives: tuple[SeenDrive, ...]) -> tuple[SeenDrive, ...]:
    return tuple(map(with_table, drives)) if PLATFORM.opens_devices else drives
