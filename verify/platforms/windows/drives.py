r"""Windows: drives opened and read, whole sectors at a time, whatever is asked for.

`\\.\PhysicalDriveN` is a drive; every other device is read as what it is, a part of one. Nothing is
locked or dismounted: what is mounted goes on being used, and is reported as in use. Tried under
Wine, which answers no control code, and against answers written from Microsoft's documentation;
never on a Windows machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from verify.errors import SourceForeign, SourceRefused
from verify.platforms.health import HealthAnswer
from verify.platforms.identity import HiddenArea, Identity, PartOf
from verify.platforms.platform import Platform
from verify.platforms.smartctl import ask_smartctl
from verify.platforms.whole_sectors import read_whole_sectors
from verify.platforms.windows import answers, attached
from verify.platforms.windows.kernel import Kernel
from verify.platforms.windows.names import device_name, drive_path
from verify.platforms.windows.refusal import GONE, MEDIUM, NOT_OPENED, Refusal, opening_refused
from verify.platforms.windows.system_calls import GENERIC_READ
from verify.structs import windows_storage as tables
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from verify.platforms.opened import Opened
    from verify.platforms.running_machine import Machine, SeenDrive
    from verify.platforms.windows.names import DeviceName

_UNKNOWN_SECTOR_BYTES = 4096
"""Reads are in steps of this where a drive does not tell its sectors: no sector is larger."""

_NOT_PARTITIONABLE = 0xFFFF_FFFF


_UNTRIED = say(
    "Reading a drive on Windows was only tested under Wine and with"
    " simulated answers of the system, never on a Windows machine."
)


class WindowsDrives(Platform):
    """What Windows has of drives; the rest of it is `system.py`'s."""

    opens_devices = True
    program_folders: tuple[str, ...] = (r"C:\Program Files\smartmontools\bin",)
    smartctl_file = "smartctl.exe"
    how_to_be_let = say(
        "Open the terminal as administrator and give the command again. The"
        " drive is only read, never written to."
    )

    @cached_property
    def kernel(self) -> Kernel:
        """Windows itself."""
        return Kernel()

    def names_device(self, name: str) -> bool:
        """Whether a name is one of the device namespace, or a letter alone."""
        return device_name(name) is not None

    def untried(self, name: str) -> str:
        """Say of a drive, and of no image file, how this was tried."""
        return _UNTRIED if self.names_device(name) else ""

    def open_device(self, name: str) -> Opened | None:
        """Open a drive or a volume with GENERIC_READ and full sharing."""
        device = device_name(name)
        if device is None:
            return None
        try:
            handle = self.kernel.open(device.path, GENERIC_READ)
        except Refusal as refusal:
            if refusal.code in GONE | NOT_OPENED:
                raise opening_refused(refusal) from refusal
            raise SourceRefused(name, refusal.strerror or "") from refusal
        try:
            return _open(self.kernel, handle, device, name)
        except BaseException:
            self.kernel.close(handle)
            raise

    def health(self, name: str) -> HealthAnswer:
        """Ask smartctl, which calls drive N `/dev/pdN` (smartctl(8) of Windows, from memory)."""
        device = device_name(name)
        if device is None or device.disk is None:
            return HealthAnswer(reason=say("only a whole drive can be asked for its health"))
        return ask_smartctl(self, f"/dev/pd{device.disk}")

    def is_medium_error(self, error: OSError) -> bool:
        """Whether an error is one of a drive's sectors, or of a file on such a drive."""
        if isinstance(error, Refusal):
            return error.code in MEDIUM
        return getattr(error, "winerror", None) in MEDIUM or super().is_medium_error(error)

    def written_onto(self, place: Path, reads: Iterable[str]) -> str | None:
        """Return which of the drives that are read a new file would lie on."""
        read = {name: disks for name in reads if (disks := self._disks_of(name))}
        if not read:
            return None
        there = attached.disks_of_path(self.kernel, str(self.real_path(place)))
        return next((name for name, disks in read.items() if disks & there), None)

    def _disks_of(self, name: str) -> frozenset[int]:
        """Return the numbers of the drives that a device is, or lies on."""
        device = device_name(name)
        if device is None:
            return frozenset()
        if device.disk is not None:
            return frozenset({device.disk})
        return attached.disks_of_path(self.kernel, device.path + "\\")

    def machine(self) -> Machine:
        """Ask it of its drives and of the volume it runs from."""
        from verify.platforms.windows.machine import look_at_windows  # noqa: PLC0415 - with psutil

        return look_at_windows(self.kernel)

    def drives(self, *, every_sort: bool) -> tuple[SeenDrive, ...]:  # noqa: ARG002 - one sort
        """Return the drives attached to this machine."""
        from verify.platforms.windows.machine import attached_drives  # noqa: PLC0415 - with psutil

        return attached_drives(self.kernel)


@dataclass(frozen=True, slots=True)
class WindowsDevice:
    """A drive or a volume, open; `step`: places and lengths of reads are multiples of it."""

    kernel: Kernel
    handle: int
    size_bytes: int
    identity: Identity
    step: int

    def read_at(self, length: int, offset: int) -> bytes:
        """Return up to `length` bytes from byte `offset`, read as whole sectors around them."""
        return read_whole_sectors(
            lambda size, at: self.kernel.read(self.handle, size, at),
            step=self.step,
            size_bytes=self.size_bytes,
            length=length,
            offset=offset,
        )

    def close(self) -> None:
        """Let go of it."""
        self.kernel.close(self.handle)


def _open(kernel: Kernel, handle: int, device: DeviceName, given: str) -> WindowsDevice:
    """Ask an open device what it is; `given`: the name that a person gave."""
    if device.disk is None:
        attached.answered(kernel, handle, tables.FSCTL_ALLOW_EXTENDED_DASD_IO)
    size = attached.size_of(kernel, handle)
    if size is None:
        raise SourceForeign(given, say("its size is not reported"))
    sector, physical = attached.sectors_of(kernel, handle)
    if device.disk is None:
        identity = _volume_identity(kernel, handle, device, sector, physical)
    else:
        identity = _drive_identity(kernel, handle, device.disk, sector, physical)
    return WindowsDevice(kernel, handle, size, identity, sector or _UNKNOWN_SECTOR_BYTES)


def _drive_identity(
    kernel: Kernel, handle: int, disk: int, sector: int | None, physical: int | None
) -> Identity:
    told = attached.names_of(kernel, handle)
    mounted = [item for item in attached.volumes(kernel) if item.is_on(disk) and item.points]
    writable = attached.is_writable(kernel, handle)
    penalty = attached.property_of(kernel, handle, tables.STORAGE_DEVICE_SEEK_PENALTY_PROPERTY)
    adapter = "adapter" if told.bus == "usb" else "drive"
    return Identity(
        kind="device",
        file_id=f"device:PhysicalDrive{disk}",
        sector_bytes=sector,
        physical_sector_bytes=physical,
        model=told.model,
        serial=told.serial,
        serial_source=None if told.serial is None else adapter,
        wwn=told.wwn,
        bus=told.bus,
        rotational=answers.rotates(penalty),
        read_only=None if writable is None else not writable,
        mounted=tuple(point for item in mounted for point in item.points),
        mounted_writable=any(item.writable for item in mounted),
        hidden_areas=_hidden_areas(told.bus),
    )


def _hidden_areas(bus: str | None) -> tuple[HiddenArea, ...]:
    what = (
        say("further namespaces")
        if bus == "nvme"
        else say("host protected area and configuration overlay")
    )
    reason = say("Windows does not report them, and the drive is not asked")
    return (HiddenArea(what=what, answer="not asked", detail=reason),)


def _volume_identity(
    kernel: Kernel, handle: int, device: DeviceName, sector: int | None, physical: int | None
) -> Identity:
    """Return what is known of a volume; what it is called is its drive's, and told as that."""
    answer = attached.answered(kernel, handle, tables.IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS)
    lies = answers.extents(answer)
    number = answers.device_number(
        attached.answered(kernel, handle, tables.IOCTL_STORAGE_GET_DEVICE_NUMBER)
    )
    if device.is_shadow_copy:
        number = None  # it is no partition, whichever it is a copy of
    known = {extent.disk for extent in lies} or ({number[0]} if number else set())
    mounted = [item for item in attached.volumes(kernel) if item.extents == lies and item.points]
    return Identity(
        kind="device",
        file_id=f"device:{device.path}",
        sector_bytes=sector,
        physical_sector_bytes=physical,
        mounted=tuple(point for item in mounted for point in item.points),
        mounted_writable=any(item.writable for item in mounted),
        part_of=_part_of(kernel, sorted(known), lies, None if number is None else number[1]),
    )


def _part_of(
    kernel: Kernel, known: list[int], lies: tuple[answers.Extent, ...], number: int | None
) -> PartOf:
    """Return which drive a volume is a part of; several for one that spans them."""
    one = known[0] if len(known) == 1 else None
    told = answers.Named()
    if one is not None:
        try:
            with attached.opened(kernel, drive_path(one)) as handle:
                told = attached.names_of(kernel, handle)
        except Refusal:
            told = answers.Named()
    is_partition = (
        one is not None and len(lies) <= 1 and number not in {None, 0, _NOT_PARTITIONABLE}
    )
    return PartOf(
        path=" and ".join(map(drive_path, known)) or "its drive",
        by="partition" if is_partition else "mapping",
        number=number if is_partition else None,
        start_bytes=lies[0].start if len(lies) == 1 else None,
        model=told.model,
        serial=told.serial,
    )
