"""What sysfs tells of a drive: model, serial, sectors, bus.

Source: kernel Documentation/ABI/stable/sysfs-block.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import psutil

from verify.platforms.identity import Identity
from verify.platforms.linux.hidden import hidden_areas
from verify.platforms.linux.part import part_of
from verify.platforms.linux.sysfs import flag_in, number_in, text_in


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
        file_id=f"device:{text_in(folder / 'dev')}",
        sector_bytes=number_in(whole / "queue/logical_block_size"),
        physical_sector_bytes=number_in(whole / "queue/physical_block_size"),
        optimal_io_bytes=number_in(whole / "queue/optimal_io_size"),
        model=model,
        serial=serial,
        serial_source=None if serial is None else ("adapter" if bus == "usb" else "drive"),
        wwn=wwn,
        bus=bus,
        rotational=flag_in(whole / "queue/rotational"),
        read_only=flag_in(folder / "ro"),
        backing_id=_backing(whole),
        mounted=mounts,
        mounted_writable=writable,
        hidden_areas=hidden_areas(whole, bus),
        part_of=part,
    )


def _own_names(whole: Path) -> tuple[str | None, str | None, str | None]:
    """Return a drive's model, serial number and world-wide name."""
    world = text_in(whole / "device/wwid") or text_in(whole / "wwid")
    return text_in(whole / "device/model"), _serial(whole), world


def _whole_drive(folder: Path) -> Path:
    """Return the sysfs folder of the whole drive, for a partition that of its parent."""
    return folder.resolve().parent if (folder / "partition").exists() else folder


def _serial(whole: Path) -> str | None:
    """The drive's serial: NVMe and MMC tell it in sysfs; SCSI and SATA in VPD page 0x80 (SPC-4)."""
    plain = text_in(whole / "device/serial") or text_in(whole / "serial")
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
    path = text_in(whole / "loop/backing_file")
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
