"""Which drive it is, by what diskutil and ioreg answer: property lists in, plain values out.

Sources: diskutil(8), whose keys are known from public programs that read them; Apple's headers
IOStorageDeviceCharacteristics.h ("Device Characteristics": "Product Name", "Vendor Name", "Serial
Number", "Medium Type") and IOStorageProtocolCharacteristics.h ("Protocol Characteristics":
"Physical Interconnect"); IOMedia.h ("BSD Name"). Written from documentation; tried on no machine.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from verify.platforms.identity import HiddenArea, Identity, PartOf
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

_NAME = re.compile(r"(?:/dev/)?r?(disk[0-9]{1,5})((?:s[0-9]{1,5})*)")

_BUSES = {
    "pci-express": "nvme",
    "apple fabric": "nvme",
    "pci": "nvme",
    "sata": "sata",
    "ata": "sata",
    "usb": "usb",
    "secure digital": "mmc",
}
"""Values of "Physical Interconnect" as other systems name the bus; others are not reported.

GUESS: that what hangs on PCI Express or on Apple's fabric is NVMe is from memory.
"""

_DEEPEST = 64
"""Levels of the registry that are followed: real ones are about ten."""


@dataclass(frozen=True, slots=True)
class DiskName:
    """A name such as disk4s2: the whole disk, and the number of its slice."""

    whole: str
    slice: str

    @property
    def name(self) -> str:
        """The whole of it."""
        return self.whole + self.slice

    @property
    def number(self) -> int | None:
        """The number of a partition; `None` for a whole disk."""
        return int(self.slice.split("s")[1]) if self.slice else None


def disk_name(path: str) -> DiskName | None:
    """Return the disk that a path names; `None`: it is the path of a file."""
    found = _NAME.fullmatch(path)
    if found is None or not path.startswith("/dev/"):
        return None
    return DiskName(found[1], found[2])


def whole_of(name: str) -> str:
    """Return disk0 for disk0s2."""
    found = _NAME.fullmatch(name)
    return name if found is None else found[1]


def devices_by_disk(registry: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return the properties of the device under each disk, from what ioreg answers."""
    return {name: device for device in registry for name in _disks_under(device)}


def _disks_under(entry: dict[str, Any], depth: int = 0) -> Iterator[str]:
    name = entry.get("BSD Name")
    if isinstance(name, str):
        yield name
    children = entry.get("IORegistryEntryChildren")
    for child in children if isinstance(children, list) and depth < _DEEPEST else ():
        if isinstance(child, dict):
            yield from _disks_under(child, depth + 1)


def identity_of(
    disk: DiskName,
    info: dict[str, Any],
    everywhere: dict[str, Any],
    devices: dict[str, dict[str, Any]],
    sectors: tuple[int, int | None],
) -> Identity:
    """Return which drive it is.

    Args:
        disk: which was opened.
        info: `diskutil info -plist` of it.
        everywhere: `diskutil list -plist`.
        devices: `devices_by_disk`.
        sectors: bytes of a logical and of a physical sector, as the kernel says.
    """
    device = devices.get(disk.whole, {})
    model, serial, medium = (
        _text(device.get("Device Characteristics"), key)
        for key in ("Product Name", "Serial Number", "Medium Type")
    )
    model = model or _text(info, "MediaName")
    link = _text(device.get("Protocol Characteristics"), "Physical Interconnect")
    bus = _BUSES.get((link or _text(info, "BusProtocol") or "").lower())
    part = _part_of(disk, info, model, serial)
    adapter = "adapter" if bus == "usb" else "drive"
    mounted = tuple(_mounted(disk, everywhere))
    return Identity(
        kind="device",
        file_id=f"device:{disk.name}",
        sector_bytes=sectors[0],
        physical_sector_bytes=sectors[1],
        model=None if part else model,
        serial=None if part else serial,
        serial_source=None if part or serial is None else adapter,
        bus=bus,
        rotational=None if medium is None else medium == "Rotational",
        read_only=_no(info.get("WritableMedia")),
        mounted=mounted,
        mounted_writable=bool(mounted) and info.get("WritableMedia") is not False,
        hidden_areas=(
            HiddenArea(
                what=say("host protected area and configuration overlay"),
                answer="not asked",
                detail=say("macOS does not report them, and the drive is not asked"),
            ),
        ),
        part_of=part,
    )


def _part_of(
    disk: DiskName, info: dict[str, Any], model: str | None, serial: str | None
) -> PartOf | None:
    """Return what a disk is a part of: a slice of a drive, or a container that lies on some."""
    stores = info.get("APFSPhysicalStores")
    names = [
        name
        for row in (stores if isinstance(stores, list) else ())
        if isinstance(row, dict) and (name := _text(row, "APFSPhysicalStore")) is not None
    ]
    below = sorted({whole_of(name) for name in names} - {disk.whole})
    if below:
        return PartOf(path=" and ".join(f"/dev/{name}" for name in below), by="mapping")
    if disk.number is None:
        return None
    start = info.get("PartitionMapPartitionOffset")
    return PartOf(
        path=f"/dev/{disk.whole}",
        by="partition",
        number=disk.number,
        start_bytes=start if isinstance(start, int) else None,
        model=model,
        serial=serial,
    )


def _mounted(disk: DiskName, everywhere: dict[str, Any]) -> Iterator[str]:
    """Yield where volumes of a disk are mounted, also those of containers that lie on it."""
    for row in _rows(everywhere, "AllDisksAndPartitions"):
        own = _rows(row, "Partitions")
        stores = {_text(store, "DeviceIdentifier") for store in _rows(row, "APFSPhysicalStores")}
        volumes = _rows(row, "APFSVolumes") if any(_is_on(disk, name) for name in stores) else []
        parts = [part for part in (row, *own) if _is_on(disk, _text(part, "DeviceIdentifier"))]
        for item in (*parts, *volumes):
            if (point := _text(item, "MountPoint")) is not None:
                yield point


def _is_on(disk: DiskName, name: str | None) -> bool:
    """Whether a name is that of the disk, or of a slice of it."""
    return name is not None and (name == disk.name or name.startswith(f"{disk.name}s"))


def _rows(table: dict[str, Any], key: str) -> list[dict[str, Any]]:
    rows = table.get(key)
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


def _text(table: object, key: str) -> str | None:
    """Return a text of a dictionary without what fills it up; `None` where there is none."""
    value = table.get(key) if isinstance(table, dict) else None
    return value.strip(" \0") or None if isinstance(value, str) else None


def _no(value: object) -> bool | None:
    return not value if isinstance(value, bool) else None
