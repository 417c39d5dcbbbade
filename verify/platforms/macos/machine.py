"""A running macOS machine, from what its own commands answer.

Sources: diskutil(8) (`list -plist`, `info -plist`), whose keys are known from public programs
that read them; system_profiler(8). GUESS: the names of system_profiler's fields are from memory.
Tried on no machine.
"""

from __future__ import annotations

import json
import platform
from typing import Any

import psutil

from verify.errors import MachineUntold
from verify.platforms.macos.commands import INFO, LIST, answer_of, property_list
from verify.platforms.running_machine import (
    Firmware,
    Machine,
    SeenDrive,
    SeenPartition,
    SeenTable,
    SystemVolume,
    Trim,
)
from verify.text.message import say

_SCHEMES = {"GUID_partition_scheme": "gpt", "FDisk_partition_scheme": "mbr"}


def look_at_macos() -> Machine:
    """Ask this machine.

    Raises:
        MachineUntold: its commands do not answer.
    """
    listed = answer_of(*LIST, "physical")
    names = property_list(listed).get("WholeDisks", [])
    return macos_machine(
        listed,
        {str(name): answer_of(*INFO, str(name)) for name in names},
        answer_of(*INFO, "/"),
        answer_of("/usr/sbin/system_profiler", "SPNVMeDataType", "SPSerialATADataType", "-json"),
    )


def macos_machine(listed: bytes, whole: dict[str, bytes], root: bytes, profile: bytes) -> Machine:
    """Return a machine from what its commands answered.

    Args:
        listed: `diskutil list -plist physical`.
        whole: `diskutil info -plist` of each whole disk.
        root: `diskutil info -plist /`.
        profile: `system_profiler … -json`.

    Raises:
        MachineUntold: an answer is no property list.
    """
    at_root = property_list(root)
    told = _profiled(profile)
    partitions = {
        str(row.get("DeviceIdentifier")): row.get("Partitions", [])
        for row in property_list(listed).get("AllDisksAndPartitions", [])
    }
    system = _system_drives(at_root)
    drives = tuple(
        _drive(
            name,
            property_list(text),
            partitions.get(name, []),
            told.get(name, {}),
            system=name in system,
        )
        for name, text in whole.items()
    )
    usage = psutil.disk_usage("/")
    trims = {told.get(name, {}).get("trim") for name in system}
    return Machine(
        platform="macos",
        host=platform.node(),
        system=SystemVolume(
            point="/",
            filesystem=at_root.get("FilesystemType"),
            drives=system,
            untold=None if system else say("diskutil tells no drive of the system volume"),
            size_bytes=usage.total,
            free_bytes=usage.free,
        ),
        drives=drives,
        trim=_trim(trims),
        firmware=Firmware(untold=say("the chosen start volume is not asked for on macOS")),
    )


def _system_drives(root: dict[str, Any]) -> tuple[str, ...]:
    """Return the drives under `/`: an APFS container's stores, else the drive itself."""
    stores = [row.get("APFSPhysicalStore") for row in root.get("APFSPhysicalStores", [])]
    names = [str(name) for name in stores or [root.get("ParentWholeDisk")] if name]
    return tuple(sorted({_drive_name(name) for name in names}))


def _drive_name(name: str) -> str:
    """Return disk0 for disk0s2."""
    head, mark, rest = name.partition("disk")
    digits = rest.split("s", 1)[0]
    return f"{head}{mark}{digits}"


def _profiled(profile: bytes) -> dict[str, dict[str, Any]]:
    """Return serial, model and TRIM of drives by name."""
    try:
        told = json.loads(profile or b"{}")
    except ValueError as error:
        raise MachineUntold(
            "macOS", say("the answer of {program} cannot be read", program="system_profiler")
        ) from error
    found: dict[str, dict[str, Any]] = {}
    for group in ("SPNVMeDataType", "SPSerialATADataType"):
        prefix = "spnvme" if "NVMe" in group else "spsata"
        for bus in told.get(group, []):
            for row in bus.get("_items", []):
                found[str(row.get("bsd_name"))] = {
                    "serial": (row.get("device_serial") or "").strip() or None,
                    "model": (row.get("device_model") or "").strip() or None,
                    "trim": row.get(f"{prefix}_trim_support"),
                }
    return found


def _drive(
    name: str,
    info: dict[str, Any],
    parts: list[dict[str, Any]],
    told: dict[str, Any],
    *,
    system: bool,
) -> SeenDrive:
    bus = str(info.get("BusProtocol") or "").lower() or None
    serial = told.get("serial")
    return SeenDrive(
        name=name,
        path=f"/dev/{name}",
        size_bytes=int(info.get("Size") or info.get("TotalSize") or 0),
        sector_bytes=info.get("DeviceBlockSize"),
        model=told.get("model") or info.get("MediaName"),
        serial=serial,
        serial_source=None if serial is None else ("adapter" if bus == "usb" else "drive"),
        bus=bus,
        rotational=None if info.get("SolidState") is None else not info["SolidState"],
        removable=info.get("RemovableMedia"),
        read_only=None if info.get("WritableMedia") is None else not info["WritableMedia"],
        mounted=tuple(row["MountPoint"] for row in parts if row.get("MountPoint")),
        system=system,
        table=SeenTable(
            scheme=_SCHEMES.get(str(info.get("Content")), "none"),
            disk_id=None,
            partitions=tuple(
                SeenPartition(
                    number=number,
                    start_bytes=None,
                    size_bytes=int(row.get("Size") or 0),
                    guid=(row.get("DiskUUID") or "").upper() or None,
                )
                for number, row in enumerate(parts, 1)
            ),
        ),
    )


def _trim(answers: set[Any]) -> Trim:
    if answers and answers <= {"Yes", "No"}:
        on = answers == {"Yes"}
        return Trim(answer="on" if on else "off", detail=say("system_profiler: TRIM support"))
    return Trim(answer="not_told", detail=say("system_profiler tells no TRIM support"))
