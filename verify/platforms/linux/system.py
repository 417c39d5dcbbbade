"""Linux behind the interface: block devices by sysfs, mounts by /proc, what the kernel does.

Sources: linux/fs.h for BLKSSZGET; include/uapi/linux/prctl.h and prctl(2).
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import signal
import stat
import struct
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from verify.platforms.linux.sysfs import Places, device_number, text_in
from verify.platforms.posix import Posix

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from verify.platforms.identity import Identity
    from verify.platforms.running_machine import Machine, SeenDrive

_BLKSSZGET = 0x1268
"""ioctl: logical sector size of a block device in bytes."""

_PR_SET_PDEATHSIG = 1
"""prctl: the signal when the thread that started this process ends, so that one has to wait for
it. A fork does not take it over."""

_MEDIUM_ERRORS = {
    errno.EIO,
    errno.EREMOTEIO,
    errno.ETIMEDOUT,
    errno.EILSEQ,
    errno.ENODATA,
    errno.ETIME,
}
"""What a kernel answers for sectors that a drive does not give back.

SPEC: Linux block/blk-core.c, blk_errors: I/O, target, timeout, protection, medium, and a limit on
the time that a command may take.
"""


@dataclass(frozen=True, slots=True)
class Linux(Posix):
    """A Linux system; `places`: where it tells, for tests."""

    places: Places = field(default_factory=Places)
    opens_devices = True

    def is_device(self, status: os.stat_result) -> bool:
        """Whether it is a block device."""
        return stat.S_ISBLK(status.st_mode)

    def identity(self, descriptor: int, status: os.stat_result) -> Identity:
        """Ask the kernel about an open block device."""
        from verify.platforms.linux.drive_identity import attached_identity  # noqa: PLC0415 - with psutil

        number = device_number(status.st_rdev)
        told = attached_identity(self._folder(status))
        sector = _logical_sector(descriptor) or told.sector_bytes
        return replace(told, file_id=f"device:{number}", sector_bytes=sector)

    def _folder(self, status: os.stat_result) -> Path:
        return self.places.sys / "dev/block" / device_number(status.st_rdev)

    def is_medium_error(self, error: OSError) -> bool:
        """Whether an error is one of the block layer's for sectors."""
        return error.errno in _MEDIUM_ERRORS

    def mapped_identity(self, path: str) -> str | None:
        """Return `dm/uuid` of a block device (testing/sysfs-block-dm)."""
        status = os.stat(path)  # noqa: PTH116 - a name as it was typed
        return text_in(self._folder(status) / "dm/uuid") if self.is_device(status) else None

    def written_onto(self, place: Path, reads: Iterable[str]) -> str | None:
        """Return which of the drives and images that are read a new file would lie on."""
        from verify.platforms.linux.written_onto import written_onto  # noqa: PLC0415

        return written_onto(place, reads, self.places)

    def path_of(self, descriptor: int) -> str | None:
        """Return the path of an open file (proc_pid_fd(5))."""
        try:
            return os.readlink(self.places.proc / f"self/fd/{descriptor}")  # noqa: PTH115 - a link of the kernel's
        except OSError:
            return None

    def machine(self) -> Machine:
        """Return what this machine tells of itself."""
        from verify.platforms.linux.machine import look_at_linux  # noqa: PLC0415

        return look_at_linux(self.places)

    def drives(self, *, every_sort: bool) -> tuple[SeenDrive, ...]:
        """Return the drives; `every_sort`: also loop devices, sets and logical volumes."""
        from verify.platforms.linux.machine import linux_drives  # noqa: PLC0415

        return linux_drives(self.places, every_sort=every_sort)

    def end_with_parent(self) -> None:
        """Have the kernel end this process when the thread that started it is gone."""
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)

    def processors(self) -> int:
        """Return how many processors this process is let run on."""
        return len(os.sched_getaffinity(0))


def _logical_sector(descriptor: int) -> int | None:
    try:
        answer = fcntl.ioctl(descriptor, _BLKSSZGET, struct.pack("i", 0))
    except OSError:
        return None
    return int(struct.unpack("i", answer)[0]) or None
