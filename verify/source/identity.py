"""What the system tells of a drive: model, serial, sectors, bus. Linux is asked through sysfs.

Sources: kernel Documentation/ABI/stable/sysfs-block; linux/fs.h for BLKSSZGET. Other systems hand
in images only; nothing here guesses for them.
"""

from __future__ import annotations

import os
import struct
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import psutil

from verify.source.hidden import HiddenArea, hidden_areas
from verify.source.part import PartOf, part_of

BLKSSZGET = 0x1268
"""ioctl: logical sector size of a block device in bytes (linux/fs.h)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Which drive it is, as far as the system tells; `None` where it does not.

    `file_id` names the one device or file on this machine; `backing_id` is that of the image file
    behind a loop device. `optimal_io_bytes`: what the drive would
    like to be written in, 0 for nothing in particular. `serial_source` is `drive`, or
    `adapter` where the drive hangs on USB, whose bridge may answer with a number of its own.
    `part_of`: the drive that this is only a part of; that one's names are told there, never as
    this one's own.
    """

    kind: Literal["image", "device"]
    file_id: str
    sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    optimal_io_bytes: int | None = None
    model: str | None = None
    serial: str | None = None
    serial_source: str | None = None
    wwn: str | None = None
    bus: str | None = None
    rotational: bool | None = None
    read_only: bool | None = None
    backing_id: str | None = None
    mounted: tuple[str, ...] = ()
    mounted_writable: bool = False
    hidden_areas: tuple[HiddenArea, ...] = ()
    part_of: PartOf | None = None


def device_identity(descriptor: int, status: os.stat_result) -> Identity:
    """Ask the kernel about an open block device."""
    number = f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"
    told = attached_identity(Path("/sys/dev/block") / number)
    sector = _logical_sector(descriptor) or told.sector_bytes
    return replace(told, file_id=f"device:{number}", sector_bytes=sector)


def attached_identity(folder: Path) -> Identity:
    """Return what sysfs tells of a block device that need not be open; `folder`: its own there."""
    whole = _whole_drive(folder)
    bus = _bus(whole)
    mounts, writable = _mounts(folder)
    part = part_of(folder)
    model, serial, wwn = _own_names(whole)
    if part is not None:
        part = replace(part, model=model, serial=serial)
        model = serial = wwn = None
    return Identity(
        kind="device",
        file_id=f"device:{_text(folder / 'dev')}",
        sector_bytes=_number(whole / "queue/logical_block_size"),
        physical_sector_bytes=_number(whole / "queue/physical_block_size"),
        optimal_io_bytes=_number(whole / "queue/optimal_io_size"),
        model=model,
        serial=serial,
        serial_source=None if serial is None else ("adapter" if bus == "usb" else "drive"),
        wwn=wwn,
        bus=bus,
        rotational=_flag(whole / "queue/rotational"),
        read_only=_flag(folder / "ro"),
        backing_id=_backing(whole),
        mounted=mounts,
        mounted_writable=writable,
        hidden_areas=hidden_areas(whole, bus),
        part_of=part,
    )


def _own_names(whole: Path) -> tuple[str | None, str | None, str | None]:
    """Return a drive's model, serial number and world-wide name."""
    world = _text(whole / "device/wwid") or _text(whole / "wwid")
    return _text(whole / "device/model"), _serial(whole), world


def _whole_drive(folder: Path) -> Path:
    """Return the sysfs folder of the whole drive, for a partition that of its parent."""
    return folder.resolve().parent if (folder / "partition").exists() else folder


def _logical_sector(descriptor: int) -> int | None:
    if sys.platform != "linux":
        return None
    import fcntl  # noqa: PLC0415 - there is none on other systems

    try:
        answer = fcntl.ioctl(descriptor, BLKSSZGET, struct.pack("i", 0))
    except OSError:
        return None
    return int(struct.unpack("i", answer)[0]) or None


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip() or None
    except OSError:
        return None


def _number(path: Path) -> int | None:
    words = _text(path)
    return int(words) if words is not None and words.isdigit() else None


def _flag(path: Path) -> bool | None:
    number = _number(path)
    return None if number is None else bool(number)


def _serial(whole: Path) -> str | None:
    """The drive's serial: NVMe and MMC tell it in sysfs; SCSI and SATA in VPD page 0x80 (SPC-4)."""
    plain = _text(whole / "device/serial") or _text(whole / "serial")
    if plain:
        return plain
    try:
        page = (whole / "device/vpd_pg80").read_bytes()
    except OSError:
        return None
    return page[4:].decode("ascii", errors="replace").strip("\0 ") or None


def _bus(whole: Path) -> str | None:
    """How the drive is attached, by the folders its device hangs under."""
    parts = whole.resolve().parts
    for mark, bus in (("usb", "usb"), ("nvme", "nvme"), ("ata", "sata"), ("mmc", "mmc")):
        if any(part.startswith(mark) for part in parts):
            return bus
    for mark in ("virtio", "loop", "dm-", "zram", "nbd"):
        if any(part.startswith(mark) for part in parts):
            return mark.rstrip("-")
    return None


def _backing(whole: Path) -> str | None:
    """The `file_id` of the image behind a loop device, so that the two are known for one."""
    path = _text(whole / "loop/backing_file")
    try:
        status = Path(path).stat() if path else None
    except OSError:
        return None
    return None if status is None else f"file:{status.st_dev}:{status.st_ino}"


def _mounts(folder: Path) -> tuple[tuple[str, ...], bool]:
    """Mount points on this device, a partition of it, or a layer above; and whether one writes."""
    real = folder.resolve()
    names = {real.name} | {child.parent.name for child in real.glob("*/partition")}
    names |= _layers_above(real, set())
    points: list[str] = []
    writable = False
    for mount in psutil.disk_partitions(all=True):
        device = Path(os.path.realpath(mount.device)).name if mount.device.startswith("/") else ""
        if device in names:
            points.append(mount.mountpoint)
            writable = writable or "rw" in mount.opts.split(",")
    return tuple(points), writable


def _layers_above(real: Path, seen: set[str]) -> set[str]:
    """Names of devices made from this one or its partitions (encryption, volume groups, sets)."""
    for holder in (*real.glob("holders/*"), *real.glob("*/holders/*")):
        if holder.name not in seen:
            seen.add(holder.name)
            _layers_above(holder.resolve(), seen)
    return seen
