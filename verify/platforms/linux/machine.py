"""A running Linux machine: its drives by sysfs, its system volume by what is mounted.

Sources: kernel Documentation/ABI/stable/sysfs-block; discards: its `queue/discard_max_bytes`
("0 means that the device does not support discard functionality"), mount(8) and ext4(5) for the
option `discard`, fstrim(8) and systemd.timer(5) for the timer and its stamp.
"""

from __future__ import annotations

import platform
from dataclasses import replace
from typing import TYPE_CHECKING

import psutil

from verify.platforms.linux.drive_identity import attached_identity
from verify.platforms.linux.efi import read_firmware
from verify.platforms.linux.mounts import beneath, mount_at, read_mounts
from verify.platforms.linux.sysfs import SECTOR_BYTES, flag_in, number_in
from verify.platforms.running_machine import Machine, SeenDrive, SystemVolume, Trim
from verify.text.message import say

if TYPE_CHECKING:
    from pathlib import Path

    from verify.platforms.linux.mounts import Beneath, Mount
    from verify.platforms.linux.sysfs import Places

_NO_DRIVES = ("dm-", "fd", "loop", "md", "ram", "sr", "zram")
"""What begins so is made of something else, or is a medium of another sort."""

_MADE_OF_OTHERS = ("dm-", "loop", "md")

START_POINTS = ("/boot", "/boot/efi", "/efi", "/usr")
"""Mount points that a start needs, by file-hierarchy(7) and the UAPI group's boot loader pages."""

_ESCAPED_SLASH = "!"
"""What stands for a slash in a name of sysfs (cciss!c0d0)."""


def linux_drives(places: Places, *, every_sort: bool = False) -> tuple[SeenDrive, ...]:
    """Return the drives attached to this machine, in the kernel's order of names.

    Args:
        places: where the kernel tells.
        every_sort: also loop devices with a file behind them, sets and logical volumes.
    """
    mounts = _mounts(places)
    under = {mount: beneath(mount, mounts, places) for mount in mounts}
    system = mount_at(mounts, "/")
    drives = []
    for folder in sorted((places.sys / "block").glob("*"), key=lambda item: item.name):
        if not _is_wanted(folder, every_sort=every_sort):
            continue
        drive = _seen(folder, places)
        using = [mount for mount, found in under.items() if _carries(found, folder.name)]
        points = tuple(dict.fromkeys(mount.point for mount in using))
        drives.append(replace(drive, mounted=points, system=system in using))
    return tuple(drives)


def _mounts(places: Places) -> tuple[Mount, ...]:
    try:
        return read_mounts(places.proc)
    except OSError:
        return ()


def _carries(found: Beneath, name: str) -> bool:
    return name in found.drives or name in found.between


def _is_wanted(folder: Path, *, every_sort: bool) -> bool:
    if number_in(folder / "hidden") or not number_in(folder / "size"):
        # NOTE: a reader without a medium, a loop device without a file, a path of several.
        return False
    wanted = every_sort and folder.name.startswith(_MADE_OF_OTHERS)
    return wanted or not folder.name.startswith(_NO_DRIVES)


def _seen(folder: Path, places: Places) -> SeenDrive:
    told = attached_identity(folder)
    return SeenDrive(
        name=folder.name,
        path=str(places.dev / folder.name.replace(_ESCAPED_SLASH, "/")),
        size_bytes=(number_in(folder / "size") or 0) * SECTOR_BYTES,
        sector_bytes=told.sector_bytes,
        model=told.model,
        serial=told.serial,
        serial_source=told.serial_source,
        wwn=told.wwn,
        bus=told.bus,
        rotational=told.rotational,
        removable=flag_in(folder / "removable"),
        read_only=told.read_only,
    )


def look_at_linux(places: Places) -> Machine:
    """Return what this machine tells of itself."""
    mounts = _mounts(places)
    system = mount_at(mounts, "/")
    if system is None:
        volume, trim = (
            SystemVolume(point="/", filesystem=None, untold=say("no mount is shown")),
            _NO_TRIM,
        )
    else:
        volume = _volume(system, beneath(system, mounts, places))
        trim = read_trim(system, volume, places)
    return Machine(
        platform="linux",
        host=platform.node(),
        system=volume,
        drives=linux_drives(places, every_sort=True),
        trim=trim,
        firmware=read_firmware(places.sys),
        start_volumes=tuple(
            (point, tuple(sorted(beneath(mount, mounts, places).drives)))
            for point in START_POINTS
            if (mount := mount_at(mounts, point)) is not None and mount.kind != "autofs"
        ),
    )


_NO_TRIM = Trim(answer="not_told", detail=say("the system volume is not known"))


def _volume(system: Mount, found: Beneath) -> SystemVolume:
    try:
        usage = psutil.disk_usage(system.point)
    except OSError:
        usage = None
    return SystemVolume(
        point=system.point,
        filesystem=system.kind,
        layers=tuple(found.layers),
        partitions=tuple(sorted(found.partitions)),
        drives=tuple(sorted(found.drives)),
        untold=found.untold,
        size_bytes=None if usage is None else usage.total,
        free_bytes=None if usage is None else usage.free,
    )


def read_trim(system: Mount, volume: SystemVolume, places: Places) -> Trim:
    """Return whether discards reach the drives, and whether anything sends them."""
    if not volume.drives:
        return _NO_TRIM
    top = places.sys / "dev/block" / system.number
    folders = (
        [top] if top.exists() else [places.sys / "class/block" / name for name in volume.drives]
    )
    # NOTE: the kernel gives a layer no more than what lies below it can do and it was set to pass.
    limits = [number_in(_whole(folder) / "queue/discard_max_bytes") for folder in folders]
    if any(limit is None for limit in limits):
        return Trim(
            answer="not_told", detail=say("the kernel does not tell whether discards are taken")
        )
    if 0 in limits:
        return Trim(answer="off", detail=say("the drive, or a layer above it, takes no discards"))
    option = next(
        (word for word in (*system.super_options, *system.options) if word.startswith("discard")),
        None,
    )
    if option is not None:
        return Trim(answer="on", detail=say("mounted with {option}", option=option))
    timer = places.etc / "systemd/system/timers.target.wants/fstrim.timer"
    if timer.is_symlink() or timer.exists():
        stamp = places.var / "lib/systemd/timers/stamp-fstrim.timer"
        ran = say("it ran") if stamp.exists() else say("no run is recorded yet")
        return Trim(answer="on", detail=say("fstrim.timer is enabled; {ran}", ran=ran))
    detail = say("discards are possible, but neither the mount nor a timer sends them")
    return Trim(answer="off", detail=detail)


def _whole(folder: Path) -> Path:
    real = folder.resolve()
    return real.parent if (real / "partition").exists() else real
