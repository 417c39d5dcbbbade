"""The one opener: `O_RDONLY`, nothing else, and every byte of a drive comes through here.

A read that fails is narrowed to the sectors that fail; they are remembered, so that a hash over
bytes that could not be read is never taken for one.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

from verify.errors import (
    SourceForbidden,
    SourceForeign,
    SourceMissing,
    SourceNotDrive,
    SourceUnreadable,
    SourceVanished,
)
from verify.source.identity import Identity, device_identity

if TYPE_CHECKING:
    from pathlib import Path

SMALLEST_DRIVE_BYTES = 512
"""One sector: nothing smaller can hold a boot record or a filesystem."""

_READ_ERRORS = {errno.EIO, errno.EREMOTEIO, errno.ETIMEDOUT, getattr(errno, "EILSEQ", -1)}
"""What a kernel answers for sectors that a drive does not give back (Linux blk_status_t table)."""


@dataclass(slots=True)
class Drive:
    """A drive or an image, open for reading.

    `size_bytes` is its length; `sector_bytes` its logical sector size: the kernel's answer for a
    device, 512 for an image until its table says otherwise (`sector_known`). `retries`: how often
    a failing read is tried again. `unreadable` collects byte ranges (start, length), sector by
    sector; `failures` counts reads that failed in the end. `heartbeat` is called before each
    single-sector read: a failing drive is slow, not hung.
    """

    name: str
    size_bytes: int
    sector_bytes: int
    sector_known: bool
    identity: Identity
    retries: int = 1
    unreadable: list[tuple[int, int]] = field(default_factory=list)
    failures: int = 0
    heartbeat: Callable[[], None] = lambda: None
    descriptor: int = -1

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly `length` bytes from byte `offset`.

        Raises:
            SourceUnreadable: sectors of the range fail; the first of them is named, all of them
                are in `unreadable`, and the rest of the range was still tried.
            SourceVanished: the drive is gone or shorter than it was.
        """
        try:
            return self._read(offset, length)
        except OSError as error:
            if error.errno not in _READ_ERRORS:
                reason = error.strerror or str(error)
                raise SourceVanished(self.name, reason) from error
        return self._narrow(offset, length)

    def _read(self, offset: int, length: int) -> bytes:
        data = os.pread(self.descriptor, length, offset)
        if len(data) == length:
            return data
        parts = [data]
        while data and (missing := length - sum(map(len, parts))):
            data = os.pread(self.descriptor, missing, offset + length - missing)
            parts.append(data)
        whole = b"".join(parts)
        if len(whole) < length:
            raise SourceVanished(self.name, f"it ends at byte {offset + len(whole)}")
        return whole

    def _narrow(self, offset: int, length: int) -> bytes:
        """Read sector by sector, remembering those that fail after all retries."""
        parts: list[bytes] = []
        failed: list[tuple[int, int]] = []
        step = self.sector_bytes
        at = offset
        while at < offset + length:
            size = min(step - at % step, offset + length - at)
            part = self._try_sector(at, size)
            if part is None:
                failed.append((at - at % step, step))
            else:
                parts.append(part)
            at += size
        if not failed:
            return b"".join(parts)
        self.failures += 1
        known = set(self.unreadable)
        self.unreadable += [item for item in failed if item not in known]
        start, size = failed[0]
        raise SourceUnreadable(self.name, start, size, f"{len(failed)} sector(s) fail")

    def _try_sector(self, offset: int, length: int) -> bytes | None:
        self.heartbeat()
        for _ in range(1 + self.retries):
            try:
                return self._read(offset, length)
            except OSError as error:
                if error.errno not in _READ_ERRORS:
                    raise SourceVanished(self.name, error.strerror or str(error)) from error
        return None

    def close(self) -> None:
        """Let go of the drive."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_drive(path: str | Path, *, retries: int = 1) -> Drive:
    """Open a block device or an image file for reading.

    Raises:
        SourceMissing: nothing is there.
        SourceForbidden: the system does not let this user read it.
        SourceNotDrive: a folder, a pipe, a socket or a character device.
        SourceForeign: a file that is too small to hold a drive.
        SourceVanished: it went away between being named and being opened.
    """
    name = str(path)
    descriptor = _open(name)
    try:
        status = os.fstat(descriptor)
        if stat.S_ISBLK(status.st_mode):
            identity = device_identity(descriptor, status)
            size = os.lseek(descriptor, 0, os.SEEK_END)
            sector, known = identity.sector_bytes or 512, identity.sector_bytes is not None
        else:
            identity = Identity(kind="image", file_id=f"file:{status.st_dev}:{status.st_ino}")
            size, sector, known = status.st_size, 512, False
        _hold_size(name, size)
        return Drive(name, size, sector, known, identity, retries, descriptor=descriptor)
    except BaseException:
        os.close(descriptor)
        raise


def _hold_size(name: str, size: int) -> None:
    if size == 0:
        raise SourceForeign(name, "it is empty")
    if size < SMALLEST_DRIVE_BYTES:
        raise SourceForeign(name, f"{size} bytes are less than one sector")


def _open(name: str) -> int:
    try:
        mode = os.stat(name).st_mode  # noqa: PTH116 - a name that is no path is answered, too
    except (FileNotFoundError, NotADirectoryError, ValueError) as error:
        raise SourceMissing(name) from error
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except OSError as error:
        raise SourceVanished(name, error.strerror or str(error)) from error
    if not (stat.S_ISBLK(mode) or stat.S_ISREG(mode)):
        raise SourceNotDrive(name, _kind_of_file(mode))
    flags = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
    try:
        return os.open(name, flags)
    except PermissionError as error:
        raise SourceForbidden(name) from error
    except FileNotFoundError as error:
        raise SourceMissing(name) from error
    except OSError as error:
        raise SourceVanished(name, error.strerror or str(error)) from error


def _kind_of_file(mode: int) -> str:
    kinds = (
        (stat.S_ISDIR, "a folder"),
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISSOCK, "a socket"),
        (stat.S_ISCHR, "a character device"),
    )
    return next((words for test, words in kinds if test(mode)), "something else")
