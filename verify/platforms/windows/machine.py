"""A running Windows machine: its drives, and the volume that it runs from.

Asked of the kernel (`kernel.py`), with no right to read a drive; their tables are read later, where
this user may. Source: Microsoft Learn, the pages that `structs/windows_storage.py` names. Tried on
no Windows machine.
"""

from __future__ import annotations

import platform
from typing import TYPE_CHECKING

import psutil

from verify.errors import MachineUntold
from verify.platforms.running_machine import Firmware, Machine, SeenDrive, SystemVolume, Trim
from verify.platforms.windows import answers, attached
from verify.platforms.windows.names import drive_path
from verify.platforms.windows.refusal import Refusal
from verify.structs import windows_storage as tables
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.platforms.windows.attached import Volume
    from verify.platforms.windows.kernel import Kernel


def look_at_windows(kernel: Kernel) -> Machine:
    """Ask this machine.

    Raises:
        MachineUntold: it does not list its devices.
    """
    drives = attached_drives(kernel)
    system = [drive for drive in drives if drive.system]
    letter = kernel.system_letter()
    return Machine(
        platform="windows",
        host=platform.node(),
        system=_volume(letter, tuple(drive.name for drive in system)),
        drives=drives,
        trim=_trim(kernel, [drive.path for drive in system]),
        firmware=Firmware(untold=say("start-up entries are not asked for on Windows")),
    )


def attached_drives(kernel: Kernel) -> tuple[SeenDrive, ...]:
    """Return the drives attached to this machine.

    Raises:
        MachineUntold: it does not list its devices.
    """
    try:
        numbers = attached.disks(kernel)
    except Refusal as refusal:
        raise MachineUntold(
            "Windows", refusal.strerror or say("its devices are not listed")
        ) from refusal
    everywhere = attached.volumes(kernel)
    return tuple(_drive(kernel, number, everywhere) for number in numbers)


def _drive(kernel: Kernel, number: int, everywhere: Iterable[Volume]) -> SeenDrive:
    own = [volume for volume in everywhere if volume.is_on(number)]
    points = tuple(point for volume in own for point in volume.points)
    letter = kernel.system_letter().upper()
    path, reason = drive_path(number), None
    told, size, sector, rotational, writable = answers.Named(), None, None, None, None
    try:
        with attached.opened(kernel, path) as handle:
            told = attached.names_of(kernel, handle)
            sector, _ = attached.sectors_of(kernel, handle)
            size = attached.size_of(kernel, handle)
            asked = tables.STORAGE_DEVICE_SEEK_PENALTY_PROPERTY
            rotational = answers.rotates(attached.property_of(kernel, handle, asked))
            writable = attached.is_writable(kernel, handle)
    except Refusal as refusal:
        reason = refusal.strerror
    adapter = "adapter" if told.bus == "usb" else "drive"
    return SeenDrive(
        name=f"Disk {number}",
        path=path,
        size_bytes=size or 0,
        sector_bytes=sector,
        model=told.model,
        serial=told.serial,
        serial_source=None if told.serial is None else adapter,
        wwn=told.wwn,
        bus=told.bus,
        rotational=rotational,
        removable=told.removable,
        read_only=None if writable is None else not writable,
        mounted=points,
        system=letter in {point.upper() for point in points},
        not_opened=reason,
    )


def _volume(letter: str, drives: tuple[str, ...]) -> SystemVolume:
    try:
        usage = psutil.disk_usage(letter + "\\")
    except OSError:
        usage = None
    return SystemVolume(
        point=letter,
        filesystem=None,
        drives=drives,
        untold=None
        if drives
        else say("no volume that lies on a drive has the letter {letter}", letter=letter),
        size_bytes=None if usage is None else usage.total,
        free_bytes=None if usage is None else usage.free,
    )


def _trim(kernel: Kernel, paths: list[str]) -> Trim:
    """Tell whether TRIM reaches the drives of the system: what they take, and what NTFS sends."""
    takes = {_takes_trim(kernel, path) for path in paths}
    if not takes or None in takes:
        return Trim(
            answer="not_told", detail=say("the drive does not report whether it takes TRIM")
        )
    if False in takes:
        return Trim(answer="off", detail=say("the drive takes no TRIM"))
    try:
        is_off = kernel.trim_is_off()
    except OSError:
        return Trim(answer="not_told", detail=say("the registry does not say whether TRIM is sent"))
    return Trim(
        answer="off" if is_off else "on",
        detail=say("DisableDeleteNotification is {value}", value=int(is_off)),
    )


def _takes_trim(kernel: Kernel, path: str) -> bool | None:
    try:
        with attached.opened(kernel, path) as handle:
            asked = tables.STORAGE_DEVICE_TRIM_PROPERTY
            return answers.takes_trim(attached.property_of(kernel, handle, asked))
    except Refusal:
        return None
