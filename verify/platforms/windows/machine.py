"""A running Windows machine, from what its own commands answer.

Sources: Microsoft Learn, "MSFT_Disk class" and "MSFT_Partition class" (properties of Get-Disk and
Get-Partition), "fsutil behavior" (DisableDeleteNotify: 0 sends TRIM). GUESS: that an NVMe drive's
SerialNumber may be its EUI-64 in groups of four is from memory. Tried on no machine.
"""

from __future__ import annotations

import json
import os
import platform
import re
import subprocess
from pathlib import Path
from typing import Any

import psutil

from verify.errors import MachineUntold
from verify.platforms.running_machine import (
    Firmware,
    Machine,
    SeenDrive,
    SeenPartition,
    SeenTable,
    SystemVolume,
    Trim,
)

_DISKS = (
    "Get-Disk | Select-Object Number,Model,SerialNumber,Size,LogicalSectorSize,BusType,"
    "PartitionStyle,Signature,Guid,IsReadOnly | ConvertTo-Json"
)
_PARTITIONS = (
    "Get-Partition | Select-Object DiskNumber,PartitionNumber,Offset,Size,Guid,GptType,MbrType,"
    "DriveLetter | ConvertTo-Json"
)
_POWERSHELL = "WindowsPowerShell/v1.0/powershell.exe"
_TRIM = ("fsutil.exe", "behavior", "query", "DisableDeleteNotify")
_PATIENCE_SECONDS = 60

_BUSES = {"7": "usb", "usb": "usb", "11": "sata", "sata": "sata", "17": "nvme", "nvme": "nvme"}
"""BusType of MSFT_Disk, as a number or as the word that PowerShell shows."""

_SCHEMES = {"1": "mbr", "mbr": "mbr", "2": "gpt", "gpt": "gpt"}
"""PartitionStyle of MSFT_Disk, likewise."""

_EUI = re.compile(r"((?:[0-9A-Fa-f]{4}_)+[0-9A-Fa-f]{4})\.?")
_TRIM_LINE = re.compile(r"(?m)^(?:NTFS )?DisableDeleteNotify\s*=\s*([01])")


def look_at_windows() -> Machine:
    """Ask this machine.

    Raises:
        MachineUntold: its commands do not answer.
    """
    letter = os.environ.get("SYSTEMDRIVE", "C:")
    return windows_machine(
        _answer(_POWERSHELL, "-NoProfile", "-NonInteractive", "-Command", _DISKS),
        _answer(_POWERSHELL, "-NoProfile", "-NonInteractive", "-Command", _PARTITIONS),
        _answer(*_TRIM),
        letter,
    )


def _answer(program: str, *words: str) -> str:
    # NOTE: a bare name would be looked for in the current folder first (CreateProcess).
    system = Path(os.environ.get("SYSTEMROOT", r"C:\Windows")) / "System32"
    try:
        return subprocess.run(  # noqa: S603 - our own words
            (str(system / program), *words),
            check=True,
            capture_output=True,
            text=True,
            timeout=_PATIENCE_SECONDS,
        ).stdout
    except (OSError, subprocess.SubprocessError) as error:
        raise MachineUntold("Windows", f"{program} does not answer") from error


def windows_machine(disks: str, partitions: str, trim: str, letter: str) -> Machine:
    """Return a machine from what its commands answered.

    Args:
        disks: Get-Disk as JSON.
        partitions: Get-Partition as JSON.
        trim: what `fsutil behavior query DisableDeleteNotify` printed.
        letter: of the system volume, such as `C:`.

    Raises:
        MachineUntold: an answer is none.
    """
    try:
        rows, parts = _rows(disks), _rows(partitions)
        home = [row for row in parts if row.get("DriveLetter") == letter[0]]
        system = {int(row["DiskNumber"]) for row in home}
        drives = tuple(_drive(row, parts, system=int(row["Number"]) in system) for row in rows)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise MachineUntold("Windows", "Get-Disk or Get-Partition answered otherwise") from error
    return Machine(
        platform="windows",
        host=platform.node(),
        system=_volume(letter, tuple(f"Disk {number}" for number in sorted(system))),
        drives=drives,
        trim=_trim(trim),
        firmware=Firmware(untold="start-up entries are not asked for on Windows"),
    )


def _rows(text: str) -> list[dict[str, Any]]:
    """Return the objects of an answer: PowerShell writes a single one without its list."""
    told = json.loads(text or "[]")
    return told if isinstance(told, list) else [told]


def _volume(letter: str, drives: tuple[str, ...]) -> SystemVolume:
    try:
        usage = psutil.disk_usage(letter + "\\")
    except OSError:
        usage = None
    return SystemVolume(
        point=letter,
        filesystem=None,
        drives=drives,
        untold=None if drives else f"no partition has the letter {letter}",
        size_bytes=None if usage is None else usage.total,
        free_bytes=None if usage is None else usage.free,
    )


def _drive(row: dict[str, Any], parts: list[dict[str, Any]], *, system: bool) -> SeenDrive:
    number = int(row["Number"])
    bus = _BUSES.get(str(row.get("BusType")).lower())
    serial = (row.get("SerialNumber") or "").strip() or None
    wwn = None
    if serial is not None and (found := _EUI.fullmatch(serial)):
        serial, wwn = None, f"eui.{found[1].replace('_', '').lower()}"
    own = [part for part in parts if int(part["DiskNumber"]) == number]
    scheme = _SCHEMES.get(str(row.get("PartitionStyle")).lower(), "none")
    return SeenDrive(
        name=f"Disk {number}",
        path=rf"\\.\PhysicalDrive{number}",
        size_bytes=int(row["Size"]),
        sector_bytes=row.get("LogicalSectorSize"),
        model=(row.get("Model") or "").strip() or None,
        serial=serial,
        serial_source=None if serial is None else ("adapter" if bus == "usb" else "drive"),
        wwn=wwn,
        bus=bus,
        read_only=row.get("IsReadOnly"),
        mounted=tuple(f"{part['DriveLetter']}:" for part in own if part.get("DriveLetter")),
        system=system,
        table=SeenTable(
            scheme=scheme,
            disk_id=_disk_id(row, scheme),
            partitions=tuple(_partition(part) for part in own),
        ),
    )


def _disk_id(row: dict[str, Any], scheme: str) -> str | None:
    if scheme == "gpt":
        return _guid(row.get("Guid"))
    return f"{int(row['Signature']):08X}" if row.get("Signature") else None


def _guid(text: str | None) -> str | None:
    return (text or "").strip("{}").upper() or None


def _partition(part: dict[str, Any]) -> SeenPartition:
    mbr = part.get("MbrType")
    return SeenPartition(
        number=int(part["PartitionNumber"]),
        start_bytes=int(part["Offset"]),
        size_bytes=int(part["Size"]),
        type=_guid(part.get("GptType")) or (None if mbr is None else f"{int(mbr):02X}"),
        guid=_guid(part.get("Guid")),
    )


def _trim(text: str) -> Trim:
    found = _TRIM_LINE.search(text)
    if found is None:
        return Trim(answer="not_told", detail="fsutil tells no DisableDeleteNotify")
    return Trim(
        answer="on" if found[1] == "0" else "off", detail=f"DisableDeleteNotify is {found[1]}"
    )
