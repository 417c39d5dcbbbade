r"""The names that Windows has for drives and volumes.

Sources: Microsoft Learn, "Naming Files, Paths, and Namespaces" (Win32 device namespaces), "Naming a
Volume", "CreateFileW function" (physical disks and volumes). GUESS: that the name of a shadow
copy's device begins with `\\?\GLOBALROOT\Device\HarddiskVolumeShadowCopy` is from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_SPACE = r"\\\\[.?]\\"
_DRIVE = re.compile(_SPACE + r"PhysicalDrive([0-9]{1,5})", re.IGNORECASE)
_LETTER = re.compile(rf"(?:{_SPACE})?([A-Za-z]):", re.IGNORECASE)
_VOLUME = re.compile(
    _SPACE + r"(?:Volume\{[0-9A-Fa-f-]{36}\}|GLOBALROOT\\Device\\[^\\]+(?:\\Partition[0-9]+)?)",
    re.IGNORECASE,
)
_OTHER = re.compile(_SPACE + r"[^\\]+")
"""Anything else of the device namespace without a folder, such as a partition: no file has such a
name."""


@dataclass(frozen=True, slots=True)
class DeviceName:
    """The name that a device is opened by; `disk`: its number, where it is that of a drive."""

    path: str
    disk: int | None

    @property
    def is_shadow_copy(self) -> bool:
        """Whether it is a snapshot of a volume."""
        return "harddiskvolumeshadowcopy" in self.path.lower()


def device_name(given: str) -> DeviceName | None:
    r"""Return which device a person named; `None`: the name is the path of a file.

    `//./PhysicalDrive0` is what some shells make of `\\.\PhysicalDrive0`; `C:` and `C:\` are the
    volume with that letter.
    """
    name = given.replace("/", "\\") if given.startswith(("//./", "//?/")) else given
    name = name.rstrip("\\")
    if drive := _DRIVE.fullmatch(name):
        return DeviceName(drive_path(int(drive[1])), int(drive[1]))
    if letter := _LETTER.fullmatch(name):
        return DeviceName(rf"\\.\{letter[1].upper()}:", None)
    if _VOLUME.fullmatch(name) or _OTHER.fullmatch(name):
        return DeviceName(name, None)
    return None


def drive_path(disk: int) -> str:
    r"""Return `\\.\PhysicalDrive0` for 0."""
    return rf"\\.\PhysicalDrive{disk}"
