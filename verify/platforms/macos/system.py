"""macOS behind the interface: `/dev/rdiskN` by ioctl, the rest by its commands.

Source: xnu, bsd/sys/disk.h (DKIOC codes) and bsd/sys/ioccom.h (`_IOR`). A character device takes
whole blocks only. Written from documentation; tried on no machine.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from verify.errors import MachineUntold, SourceForeign
from verify.platforms.identity import Identity
from verify.platforms.macos.commands import (
    DEVICES,
    INFO,
    LIST,
    answer_of,
    property_list,
    property_lists,
)
from verify.platforms.macos.drive_identity import devices_by_disk, disk_name, identity_of
from verify.platforms.platform import APPLICATION
from verify.platforms.posix import Posix
from verify.platforms.whole_sectors import read_whole_sectors
from verify.text.message import say

if TYPE_CHECKING:
    from verify.platforms.macos.drive_identity import DiskName
    from verify.platforms.opened import Opened
    from verify.platforms.running_machine import Machine

DKIOCGETBLOCKSIZE = 0x40046418
"""_IOR('d', 24, uint32_t)"""
DKIOCGETBLOCKCOUNT = 0x40086419
"""_IOR('d', 25, uint64_t)"""
DKIOCGETPHYSICALBLOCKSIZE = 0x4004644D
"""_IOR('d', 77, uint32_t)"""

_UNTRIED = say(
    "Reading a drive on macOS was only tested with simulated answers of the system, never on a Mac."
)


class MacOs(Posix):
    """A macOS system."""

    opens_devices = True
    settings_under_home = "Library/Application Support"

    def open_device(self, name: str) -> Opened | None:
        """Open a disk or a slice by its raw device."""
        disk = disk_name(name)
        if disk is None:
            return None
        descriptor = self.open_to_read(f"/dev/r{disk.name}")
        try:
            return self._opened(disk, descriptor, name)
        except BaseException:
            os.close(descriptor)
            raise

    def _opened(self, disk: DiskName, descriptor: int, given: str) -> MacDevice:
        count = self.control(descriptor, DKIOCGETBLOCKCOUNT, 8)
        block = self.control(descriptor, DKIOCGETBLOCKSIZE, 4)
        if not count or not block:
            raise SourceForeign(given, say("its size is not reported"))
        physical = self.control(descriptor, DKIOCGETPHYSICALBLOCKSIZE, 4)
        identity = identity_of(
            disk,
            self._told(*INFO, disk.name),
            self._told(*LIST),
            self._devices(),
            (block, physical),
        )
        return MacDevice(self, descriptor, count * block, identity, block)

    def _told(self, *command: str) -> dict[str, Any]:
        with suppress(MachineUntold):
            return property_list(self.answer(*command))
        return {}

    def _devices(self) -> dict[str, dict[str, Any]]:
        with suppress(MachineUntold):
            return devices_by_disk(property_lists(self.answer(*DEVICES)))
        return {}

    def answer(self, *command: str) -> bytes:
        """Return what a command answers.

        Raises:
            MachineUntold: nothing.
        """
        return answer_of(*command)

    def control(self, descriptor: int, code: int, size: int) -> int | None:
        """Return the number of `size` bytes that an ioctl answers; `None`: it does not."""
        try:
            answer = fcntl.ioctl(descriptor, code, bytes(size))
        except OSError:
            return None
        return int.from_bytes(answer, "little") or None

    def untried(self, name: str) -> str:
        """Say of a drive, and of no image file, how this was tried."""
        return "" if disk_name(name) is None else _UNTRIED

    def machine(self) -> Machine:
        """Ask its own commands."""
        from verify.platforms.macos.machine import look_at_macos  # noqa: PLC0415 - with psutil

        return look_at_macos()

    def user_folder(self, purpose: Literal["data", "settings"]) -> Path:  # noqa: ARG002 - one for both
        """Return this program's folder among a user's support files of applications."""
        return Path.home() / self.settings_under_home / APPLICATION


@dataclass(frozen=True, slots=True)
class MacDevice:
    """A raw disk, open; `block`: places and lengths of reads are multiples of it."""

    system: MacOs
    descriptor: int
    size_bytes: int
    identity: Identity
    block: int

    def read_at(self, length: int, offset: int) -> bytes:
        """Return up to `length` bytes from byte `offset`, read as whole blocks around them."""
        return read_whole_sectors(
            lambda size, at: self.system.read_at(self.descriptor, size, at),
            step=self.block,
            size_bytes=self.size_bytes,
            length=length,
            offset=offset,
        )

    def close(self) -> None:
        """Let go of it."""
        os.close(self.descriptor)
