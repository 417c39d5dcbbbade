r"""The names that Windows has for drives and volumes.

Sources: Microsoft Learn, "Naming Files, Paths, and Namespaces" (Win32 device namespaces), "Naming a
Volume", "CreateFileW function" (physical disks and volumes). GUESS: that the name of a shadow
copy's device begins with `\\?\GLOBALROOT\Device\HarddiskVolumeShadowCopy` is from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PureWindowsPath

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

_RESERVED = re.compile(
    r"(?:con|prn|aux|nul|conin\$|conout\$|(?:com|lpt)[0-9\u00B9\u00B2\u00B3]) *(?:[.:].*)?",
    re.IGNORECASE | re.DOTALL,
)
"""Taken for a device in every folder, whatever the ending. GUESS: CONIN$ and CONOUT$ are from
memory of "CreateFileW" ("Consoles")."""

_NOT_IN_A_NAME = re.compile(r'[<>:"|?*\x00-\x1F]')
"""A colon would begin a stream of the file in front of it."""


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


def allows_name(path: str) -> bool:
    """Whether a new file or folder can have that path, and would get each name in it as it is.

    Windows drops the dots and spaces that a name ends in.
    """
    pure = PureWindowsPath(path)
    names = pure.parts[1:] if pure.anchor or pure.drive else pure.parts
    return all(name == ".." or allows_file_name(name) for name in names)


def allows_file_name(name: str) -> bool:
    """Whether a file or folder can have that name, without a folder."""
    usable = not _RESERVED.fullmatch(name) and not _NOT_IN_A_NAME.search(name)
    return usable and not name.endswith((".", " "))
