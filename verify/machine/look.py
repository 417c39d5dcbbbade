"""The machine this runs on, asked in the way of its system."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from verify.errors import MachineUntold

if TYPE_CHECKING:
    from verify.machine.running_machine import Machine, SeenDrive


def look_at_machine() -> Machine:
    """Return what this machine tells of itself.

    Raises:
        MachineUntold: it does not.
    """
    if sys.platform == "linux":
        from verify.machine.linux_machine import look_at_linux  # noqa: PLC0415 - of this system alone

        return look_at_linux()
    if sys.platform == "win32":
        from verify.machine.windows_machine import look_at_windows  # noqa: PLC0415 - of this system alone

        return look_at_windows()
    if sys.platform == "darwin":
        from verify.machine.macos_machine import look_at_macos  # noqa: PLC0415 - of this system alone

        return look_at_macos()
    raise MachineUntold(sys.platform, "nothing is known of how to ask it")


def attached_drives(*, every_sort: bool = False, opening: bool = True) -> tuple[SeenDrive, ...]:
    """Return the drives attached to this machine.

    Args:
        every_sort: on Linux also loop devices, sets and logical volumes.
        opening: on Linux read the tables of those that this user may read; other systems tell.

    Raises:
        MachineUntold: the system does not tell.
    """
    if sys.platform == "linux":
        from verify.machine.linux_machine import linux_drives  # noqa: PLC0415 - of this system alone

        return linux_drives(every_sort=every_sort, opening=opening)
    return look_at_machine().drives
