r"""A Windows whose drives are image files: what it refuses, it refuses as Windows does.

It enforces what a drive demands: places and lengths in whole sectors (error 87, ERROR_INVALID_
PARAMETER; Microsoft Learn, "File Buffering"). It answers control codes with bytes written by hand
from Microsoft's structures, fails the sectors that it is told to with the error it is told to, and
takes no control code that is not in its list: one that locks or dismounts ends the test.

    drives   by number: image, sector, vendor, product, serial, bus, ata, nvme, bad (error by
             sector), refuse (error of opening), gone_after (reads) with gone (error), silent
    volumes  by name: points, extents (drive, start, length), writable, names, folders, number;
             of a shadow copy `shadow` and its own image instead
"""

from __future__ import annotations

import json
import struct
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.conftest import REPOSITORY
from verify.platforms.posix import Posix
from verify.platforms.windows.drives import WindowsDrives
from verify.platforms.windows.kernel import Kernel
from verify.platforms.windows.refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Mapping

INVALID_FUNCTION = 1
INVALID_HANDLE = 6
INVALID_PARAMETER = 87
WRITE_PROTECT = 19

LENGTH, WRITABLE, GEOMETRY = 0x7405C, 0x70024, 0x700A0
NUMBER, PROPERTY, EXTENTS, EXTENDED = 0x2D1080, 0x2D1400, 0x560000, 0x90083


def descriptor(drive: Mapping[str, Any]) -> bytes:
    """Return a STORAGE_DEVICE_DESCRIPTOR with its texts behind it."""
    texts, places = b"", []
    for name in ("vendor", "product", "revision", "serial"):
        text = drive.get(name)
        places.append(0 if text is None else 36 + len(texts))
        texts += b"" if text is None else text.encode("ascii") + b"\0"
    removable = int(drive.get("removable", False))
    fixed = (40, 36 + len(texts), 0, 0, removable, 1, *places, drive.get("bus", 11), 0)
    return struct.pack("<IIBBBBIIIIII", *fixed) + texts


def nvme_identity(serial: str, model: str) -> bytes:
    """Return a STORAGE_PROTOCOL_DATA_DESCRIPTOR with Identify Controller data."""
    data = bytes(4) + serial.encode().ljust(20) + model.encode().ljust(40) + bytes(4096 - 64)
    return struct.pack("<II10I", 48, 48, 3, 1, 1, 0, 40, len(data), 0, 0, 0, 0) + data


def ata_identity(serial: str, model: str) -> bytes:
    """Return a STORAGE_PROTOCOL_DATA_DESCRIPTOR with IDENTIFY DEVICE data."""

    def words(text: str, size: int) -> bytes:
        raw = text.encode().ljust(size)
        return b"".join(raw[at + 1 : at + 2] + raw[at : at + 1] for at in range(0, size, 2))

    data = bytearray(512)
    data[20:40], data[54:94] = words(serial, 20), words(model, 40)
    return struct.pack("<II10I", 48, 48, 2, 1, 0, 0, 40, 512, 0, 0, 0, 0) + bytes(data)


class FakeKernel(Kernel):
    """Answers in the place of kernel32; `asked` counts control codes, `rights` those of handles."""

    def __init__(self, machine: Mapping[str, Any]) -> None:
        self.machine = machine
        self.handles: dict[int, tuple[str, Any]] = {}
        self.rights: Counter[int] = Counter()
        self.asked: Counter[int] = Counter()
        self.reads = 0

    def open(self, path: str, rights: int) -> int:
        """Open a drive by its number, or a volume by its name or letter."""
        self.rights[rights] += 1
        sort, what = self._find(path)
        if (code := what.get("refuse")) and rights:
            raise Refusal(code)
        handle = 4 * (len(self.handles) + 64)
        self.handles[handle] = sort, what
        return handle

    def _find(self, path: str) -> tuple[str, Any]:
        if path.startswith("\\\\.\\PhysicalDrive"):
            number = path.removeprefix("\\\\.\\PhysicalDrive")
            if number in self.machine.get("drives", {}):
                return number, self.machine["drives"][number]
        for name, volume in self.machine.get("volumes", {}).items():
            names = {name.rstrip("\\"), *volume.get("names", ())}
            names |= {"\\\\.\\" + point.rstrip("\\") for point in volume.get("points", ())}
            if path in names:
                return name, volume
        raise Refusal(2)

    def close(self, handle: int) -> None:
        """Forget a handle; twice is an error of the program."""
        del self.handles[handle]

    def _drive(self, handle: int) -> tuple[Any, int, int]:
        """Return the drive under a handle, and the part of it that it shows."""
        if handle not in self.handles:
            raise Refusal(INVALID_HANDLE)
        what = self.handles[handle][1]
        if "image" in what:
            return what, 0, Path(what["image"]).stat().st_size
        disk, start, length = what["extents"][0]
        return self.machine["drives"][str(disk)], start, length

    def ask(self, handle: int, code: int, given: bytes = b"") -> bytes:  # noqa: C901, PLR0911
        """Answer a control code."""
        assert code in {LENGTH, WRITABLE, GEOMETRY, NUMBER, PROPERTY, EXTENTS, EXTENDED}, hex(code)
        self.asked[code] += 1
        name, what = self.handles[handle]
        drive, _, length = self._drive(handle)
        if drive.get("silent"):
            raise Refusal(INVALID_FUNCTION)
        is_volume = "image" not in what
        sector = drive.get("sector", 512)
        if what.get("shadow") and code != LENGTH:
            raise Refusal(INVALID_FUNCTION)
        if code == LENGTH:
            return struct.pack("<q", length)
        if code == GEOMETRY and not is_volume:
            return struct.pack("<qIIIIq", 0, 12, 255, 63, sector, length) + bytes(8)
        if code == WRITABLE:
            if not what.get("writable", True):
                raise Refusal(WRITE_PROTECT)
            return b""
        if code == NUMBER:
            disk = what["extents"][0][0] if is_volume else int(name)
            return struct.pack("<III", 7, disk, what.get("number", 0))
        if code == EXTENTS and is_volume:
            rows = [struct.pack("<I4xqq", *row) for row in what["extents"]]
            return struct.pack("<I4x", len(rows)) + b"".join(rows)
        if code == EXTENDED and is_volume:
            return b""
        if code == PROPERTY:
            return self._property(drive, given)
        raise Refusal(INVALID_FUNCTION)

    @staticmethod
    def _property(drive: Any, given: bytes) -> bytes:
        number = struct.unpack_from("<I", given)[0]
        if number == 0:
            return descriptor(drive)
        if number == 6:
            sectors = drive.get("sector", 512), drive.get("physical", 4096)
            return struct.pack("<7I", 28, 28, 0, 0, *sectors, 0)
        if number == 7 and "rotates" in drive:
            return struct.pack("<IIB3x", 12, 12, drive["rotates"])
        if number == 8 and "trim" in drive:
            return struct.pack("<IIB3x", 12, 12, drive["trim"])
        if number == 49 and "nvme" in drive:
            return nvme_identity(*drive["nvme"])
        if number == 50 and "ata" in drive:
            return ata_identity(*drive["ata"])
        raise Refusal(INVALID_FUNCTION)

    def read(self, handle: int, length: int, offset: int) -> bytes:
        """Read whole sectors; a bad one among them fails all of the read, as a drive does."""
        drive, start, size = self._drive(handle)
        sector = drive.get("sector", 512)
        if offset % sector or length % sector or not length:
            raise Refusal(INVALID_PARAMETER)
        if offset + length > size:
            raise Refusal(27)
        self.reads += 1
        if "gone_after" in drive and self.reads > drive["gone_after"]:
            raise Refusal(drive["gone"])
        first, count = (start + offset) // sector, length // sector
        for number, code in drive.get("bad", {}).items():
            if first <= int(number) < first + count:
                raise Refusal(code)
        with Path(drive["image"]).open("rb") as image:
            image.seek(start + offset)
            return image.read(length)

    def file_size(self, handle: int) -> int:
        """Return the length of a silent drive's file, as Wine does."""
        drive, _, length = self._drive(handle)
        if not drive.get("silent"):
            raise Refusal(INVALID_FUNCTION)
        return length

    def volumes(self) -> list[str]:
        """Return the names of the volumes."""
        return list(self.machine.get("volumes", {}))

    def mount_points(self, volume: str) -> list[str]:
        """Return where a volume is mounted."""
        return list(self.machine["volumes"][volume].get("points", ()))

    def volume_of(self, path: str) -> str:
        """Return the volume that holds a folder, by the longest that is named for it."""
        for name, volume in self.machine.get("volumes", {}).items():
            folders = [*volume.get("folders", ()), *volume.get("points", ())]
            if any(path.startswith(folder) for folder in folders):
                return str(name)
        raise Refusal(3)

    def device_names(self) -> list[str]:
        """Return the names of drives among others."""
        numbers = self.machine.get("drives", {})
        return ["C:", "NUL", *(f"PhysicalDrive{number}" for number in numbers), "PhysicalDriveX"]

    def system_letter(self) -> str:
        """Return the letter of the system's volume."""
        return str(self.machine.get("system", "C:"))

    def trim_is_off(self) -> bool:
        """Whether TRIM is kept back."""
        return bool(self.machine.get("trim_is_off", False))


class FakeWindows(WindowsDrives, Posix):
    """Windows in what drives are, and the system of the test in all else."""

    def __init__(self, machine: Mapping[str, Any]) -> None:
        self.fake = FakeKernel(machine)
        self.kernel = self.fake


def starting(machine: Mapping[str, Any]) -> str:
    """Return what a process runs first, so that it and its readers are on such a Windows."""
    own = f"""
import json, sys
sys.path.append({str(REPOSITORY)!r})
import verify.platforms.this as this
from tests.support.fake_windows import FakeWindows
this.PLATFORM = FakeWindows(json.loads({json.dumps(machine)!r}))
"""
    return f"""{own}
import verify.own_code
verify.own_code._START = {own!r} + verify.own_code._START
from verify.__main__ import main
sys.exit(main())
"""
