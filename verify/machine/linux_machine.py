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

from verify.machine.efi import read_firmware
from verify.machine.mounts import Places, beneath, mount_at, read_mounts
from verify.machine.running_machine import Machine, SeenDrive, SystemVolume, Trim
from verify.machine.tables import with_table
from verify.source.identity import attached_identity

if TYPE_CHECKING:
    from pathlib import Path

    from verify.machine.mounts import Beneath, Mount

_SECTOR_BYTES = 512
"""What sysfs counts sizes in, whatever the drive's own sectors are (stable/sysfs-block)."""

_NO_DRIVES = ("dm-", "fd", "loop", "md", "ram", "sr", "zram")
"""What begins so is made of something else, or is a medium of another sort."""

_MADE_OF_OTHERS = ("dm-", "loop", "md")

START_POINTS = ("/boot", "/boot/efi", "/efi", "/usr")
"""Mount points that a start needs, by file-hierarchy(7) and the UAPI group's boot loader pages."""

_ESCAPED_SLASH = "!"
"""What stands for a slash in a name of sysfs (cciss!c0d0)."""


def linux_drives(
    places: Places | None = None, *, every_sort: bool = False, opening: bool = True
) -> tuple[SeenDrive, ...]:
    """Return the drives attached to this machine, in the kernel's order of names.

    Args:
        places: where the kernel tells.
        every_sort: also loop devices with a file behind them, sets and logical volumes.
        opening: read the tables of those that this user may read.
    """
    around = places or Places()
    mounts = _mounts(around)
    under = {mount: beneath(mount, mounts, around) for mount in mounts}
    system = mount_at(mounts, "/")
    drives = []
    for folder in sorted((around.sys / "block").glob("*"), key=lambda item: item.name):
        if not _is_wanted(folder, every_sort=every_sort):
            continue
        drive = _seen(folder, around)
        using = [mount for mount, found in under.items() if _carries(found, folder.name)]
        drive = replace(
            drive,
            mounted=tuple(dict.fromkeys(mount.point for mount in using)),
            system=system in using,
        )
        drives.append(with_table(drive) if opening else drive)
    return tuple(drives)


def _mounts(places: Places) -> tuple[Mount, ...]:
    try:
        return read_mounts(places.proc)
    except OSError:
        return ()


def _carries(found: Beneath, name: str) -> bool:
    return name in found.drives or name in found.between


def _is_wanted(folder: Path, *, every_sort: bool) -> bool:
    if _number(folder / "hidden") or not _number(folder / "size"):
        # NOTE: a reader without a medium, a loop device without a file, a path of several.
        return False
    wanted = every_sort and folder.name.startswith(_MADE_OF_OTHERS)
    return wanted or not folder.name.startswith(_NO_DRIVES)


def _seen(folder: Path, places: Places) -> SeenDrive:
    told = attached_identity(folder)
    removable = _number(folder / "removable")
    return SeenDrive(
        name=folder.name,
        path=str(places.dev / folder.name.replace(_ESCAPED_SLASH, "/")),
        size_bytes=(_number(folder / "size") or 0) * _SECTOR_BYTES,
        sector_bytes=told.sector_bytes,
        model=told.model,
        serial=told.serial,
        serial_source=told.serial_source,
        wwn=told.wwn,
        bus=told.bus,
        rotational=told.rotational,
        removable=None if removable is None else bool(removable),
        read_only=told.read_only,
    )


def look_at_linux(places: Places | None = None) -> Machine:
    """Return what this machine tells of itself."""
    around = places or Places()
    mounts = _mounts(around)
    system = mount_at(mounts, "/")
    if system is None:
        volume, trim = (
            SystemVolume(point="/", filesystem=None, untold="no mount is shown"),
            _NO_TRIM,
        )
    else:
        volume = _volume(system, beneath(system, mounts, around))
        trim = read_trim(system, volume, around)
    return Machine(
        platform="linux",
        host=platform.node(),
        system=volume,
        drives=linux_drives(around, every_sort=True),
        trim=trim,
        firmware=read_firmware(around.sys),
        start_volumes=tuple(
            (point, tuple(sorted(beneath(mount, mounts, around).drives)))
            for point in START_POINTS
            if (mount := mount_at(mounts, point)) is not None and mount.kind != "autofs"
        ),
    )


_NO_TRIM = Trim(answer="not_told", detail="the system volume is not known")


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
    limits = [_number(_whole(folder) / "queue/discard_max_bytes") for folder in folders]
    if any(limit is None for limit in limits):
        return Trim(answer="not_told", detail="the kernel does not tell whether discards are taken")
    if 0 in limits:
        return Trim(answer="off", detail="the drive, or a layer above it, takes no discards")
    option = next(
        (word for word in (*system.super_options, *system.options) if word.startswith("discard")),
        None,
    )
    if option is not None:
        return Trim(answer="on", detail=f"mounted with {option}")
    timer = places.etc / "systemd/system/timers.target.wants/fstrim.timer"
    if timer.is_symlink() or timer.exists():
        stamp = places.var / "lib/systemd/timers/stamp-fstrim.timer"
        ran = "it ran" if stamp.exists() else "no run is recorded yet"
        return Trim(answer="on", detail=f"fstrim.timer is enabled; {ran}")
    detail = "discards are possible, but neither the mount nor a timer sends them"
    return Trim(answer="off", detail=detail)


def _whole(folder: Path) -> Path:
    real = folder.resolve()
    return real.parent if (real / "partition").exists() else real


def _number(path: Path) -> int | None:
    try:
        text = path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return None
    return int(text) if text.isdigit() else None
