"""The drives and volumes of a running Windows, asked of its kernel by handles that may do nothing.

No handle here reads a sector. What a driver does not answer is `None`, or left out.
"""

from __future__ import annotations

import re
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from verify.platforms.windows import answers
from verify.platforms.windows.answers import Extent
from verify.platforms.windows.refusal import WRITE_PROTECT, Refusal
from verify.structs import windows_storage as tables

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.platforms.windows.answers import Named
    from verify.platforms.windows.kernel import Kernel

_DRIVE = re.compile(r"PhysicalDrive([0-9]+)", re.IGNORECASE)
_PROTOCOLS = {"sata": tables.PROTOCOL_TYPE_ATA, "nvme": tables.PROTOCOL_TYPE_NVME}


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    r"""A volume: its name, such as `\\?\Volume{GUID}\`, where it is mounted, where it lies.

    `writable`: nothing says that it may only be read.
    """

    name: str
    points: tuple[str, ...]
    extents: tuple[Extent, ...]
    writable: bool

    def is_on(self, disk: int) -> bool:
        """Whether it lies on a drive, or partly so."""
        return any(extent.disk == disk for extent in self.extents)


@contextmanager
def opened(kernel: Kernel, path: str, rights: int = 0) -> Iterator[int]:
    """Open a device for a question.

    Raises:
        Refusal: Windows does not open it.
    """
    handle = kernel.open(path, rights)
    try:
        yield handle
    finally:
        kernel.close(handle)


def answered(kernel: Kernel, handle: int, code: int, given: bytes = b"") -> bytes:
    """Return an answer; empty where the device gives none."""
    with suppress(Refusal):
        return kernel.ask(handle, code, given)
    return b""


def volumes(kernel: Kernel) -> list[Volume]:
    """Return all volumes that say where they lie."""
    found = []
    names: list[str] = []
    with suppress(Refusal):
        names = kernel.volumes()
    for name in names:
        # NOTE: with the backslash at its end a name is that of the root folder ("Naming a Volume").
        with suppress(Refusal), opened(kernel, name.rstrip("\\")) as handle:
            lies = answers.extents(kernel.ask(handle, tables.IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS))
            points: list[str] = []
            with suppress(Refusal):
                points = kernel.mount_points(name)
            found.append(
                Volume(
                    name=name,
                    points=tuple(point.rstrip("\\") for point in points),
                    extents=lies,
                    writable=is_writable(kernel, handle) is not False,
                )
            )
    return found


def is_writable(kernel: Kernel, handle: int) -> bool | None:
    """Return whether a drive or volume may be written to; `None`: it does not say."""
    try:
        kernel.ask(handle, tables.IOCTL_DISK_IS_WRITABLE)
    except Refusal as refusal:
        return False if refusal.code == WRITE_PROTECT else None
    return True


def disks(kernel: Kernel) -> list[int]:
    """Return the numbers of all drives, in order.

    Raises:
        Refusal: Windows does not list its devices.
    """
    found = map(_DRIVE.fullmatch, kernel.device_names())
    return sorted(int(match[1]) for match in found if match)


def property_of(kernel: Kernel, handle: int, number: int) -> bytes:
    """Return the answer to a question for a property; empty where there is none."""
    question = answers.property_question(number)
    return answered(kernel, handle, tables.IOCTL_STORAGE_QUERY_PROPERTY, question)


def names_of(kernel: Kernel, handle: int) -> Named:
    """Return what a drive is called, by its own identification where it gives one.

    What the descriptor has is the port driver's; it is what is left behind a bridge.
    """
    told = answers.named(property_of(kernel, handle, tables.STORAGE_DEVICE_PROPERTY))
    protocol = _PROTOCOLS.get(told.bus or "")
    if protocol is None:
        return told
    question = answers.identify_question(protocol)
    answer = answered(kernel, handle, tables.IOCTL_STORAGE_QUERY_PROPERTY, question)
    own = answers.identified(answer, protocol)
    return replace(told, model=own.model or told.model, serial=own.serial or told.serial)


def sectors_of(kernel: Kernel, handle: int) -> tuple[int | None, int | None]:
    """Return bytes of a logical and of a physical sector."""
    alignment = property_of(kernel, handle, tables.STORAGE_ACCESS_ALIGNMENT_PROPERTY)
    logical, physical = answers.sectors(alignment)
    sector, _ = answers.geometry(_geometry(kernel, handle))
    return sector or logical, physical


def size_of(kernel: Kernel, handle: int) -> int | None:
    """Return the bytes of a drive or volume; of one without the right to read, by its geometry."""
    told = answers.length(answered(kernel, handle, tables.IOCTL_DISK_GET_LENGTH_INFO))
    if told is None:
        _, told = answers.geometry(_geometry(kernel, handle))
    if told is not None:
        return told
    with suppress(Refusal):
        return kernel.file_size(handle)
    return None


def _geometry(kernel: Kernel, handle: int) -> bytes:
    return answered(kernel, handle, tables.IOCTL_DISK_GET_DRIVE_GEOMETRY_EX)


def disks_of_path(kernel: Kernel, path: str) -> frozenset[int]:
    """Return the numbers of the drives that a file lies on; empty where Windows does not say."""
    with suppress(Refusal):
        name = kernel.volume_of(path)
        with opened(kernel, name.rstrip("\\")) as handle:
            answer = kernel.ask(handle, tables.IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS)
        return frozenset(extent.disk for extent in answers.extents(answer))
    return frozenset()
