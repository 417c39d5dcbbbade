"""The one opener: `O_RDONLY`, nothing else, and every byte of a drive comes through here.

A read that fails is narrowed to the sectors that fail; they are remembered, so that a hash over
bytes that could not be read is never taken for one.
"""

from __future__ import annotations

import os
import stat
import time
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
from verify.platforms.identity import Identity
from verify.platforms.opened import Opened
from verify.platforms.this import PLATFORM
from verify.source.images.facts import ImageFacts
from verify.source.images.image_file import Image, ImageDamage, ImageFile
from verify.source.images.recognise import open_image
from verify.text.message import counted, say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

SMALLEST_DRIVE_BYTES = 512
"""One sector: nothing smaller can hold a boot record or a filesystem."""

PATIENCE_SECONDS = 600.0
"""How long a drive may fail before it is left in peace: a failing read holds it for seconds, and
wears out what still works."""

GIVEN_UP = say("reads of it failed for so long that it is not read any more")


@dataclass(slots=True)
class Drive:
    """A drive or an image, open for reading.

    `size_bytes` is its length; `sector_bytes` its logical sector size: the kernel's answer for a
    device, 512 for an image until its table says otherwise (`sector_known`). `retries`: how often
    a failing read is tried again. `unreadable` collects byte ranges (start, length), sector by
    sector; `failures` counts reads that failed in the end. `heartbeat` is called before each
    single-sector read: a failing drive is slow, not hung. A sector that failed is not read again.
    After `patience_seconds` spent in failing reads nothing is (`given_up`). `image`: what a
    container, or a split image, says of itself.
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
    opened: Opened | None = None
    image: ImageFacts | None = None
    patience_seconds: float = PATIENCE_SECONDS
    given_up: bool = False
    _failing_seconds: float = 0.0
    _bad: set[int] = field(default_factory=set)

    def know_unreadable(self, ranges: Iterable[tuple[int, int]]) -> None:
        """Take byte ranges (start, length) that failed before: they are not tried again."""
        step = self.sector_bytes
        for start, length in ranges:
            for at in range(start - start % step, start + length, step):
                if at not in self._bad:
                    self._bad.add(at)
                    self.unreadable.append((at, step))

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly `length` bytes from byte `offset`.

        Raises:
            SourceUnreadable: sectors of the range fail; the first of them is named, all of them
                are in `unreadable`, and the rest of the range was still tried.
            SourceVanished: the drive is gone or shorter than it was.
        """
        if self.given_up:
            self.failures += 1
            raise SourceUnreadable(self.name, offset, length, GIVEN_UP)
        if not self._touches_bad(offset, length):
            data = self._try(offset, length)
            if data is not None:
                return data
        return self._narrow(offset, length)

    def _touches_bad(self, offset: int, length: int) -> bool:
        step = self.sector_bytes
        first = offset - offset % step
        return bool(self._bad) and any(
            at in self._bad for at in range(first, offset + length, step)
        )

    def _try(self, offset: int, length: int) -> bytes | None:
        """Read once; `None` where the drive answers with a read error."""
        began = time.monotonic()
        try:
            return self._read(offset, length)
        except OSError as error:
            if not PLATFORM.is_medium_error(error):
                raise SourceVanished(self.name, system_words(error)) from error
        except ImageDamage:
            return None
        self._failing_seconds += time.monotonic() - began
        self.given_up = self._failing_seconds > self.patience_seconds
        return None

    def _read(self, offset: int, length: int) -> bytes:
        opened = self.opened
        if opened is None:
            raise SourceVanished(self.name, say("it was closed"))
        data = opened.read_at(length, offset)
        if len(data) == length:
            return data
        parts = [data]
        while data and (missing := length - sum(map(len, parts))):
            data = opened.read_at(missing, offset + length - missing)
            parts.append(data)
        whole = b"".join(parts)
        if len(whole) < length:
            raise SourceVanished(self.name, say("it ends at byte {end}", end=offset + len(whole)))
        return whole

    def _narrow(self, offset: int, length: int) -> bytes:
        """Read sector by sector, remembering those that fail after all retries."""
        parts: list[bytes] = []
        failed: list[tuple[int, int]] = []
        step = self.sector_bytes
        at = offset
        while at < offset + length and not self.given_up:
            size = min(step - at % step, offset + length - at)
            part = self._try_sector(at, size)
            if part is None:
                failed.append((at - at % step, step))
            else:
                parts.append(part)
            at += size
        if not failed and not self.given_up:
            return b"".join(parts)
        self.failures += 1
        self.know_unreadable(failed)
        if not failed:
            raise SourceUnreadable(self.name, offset, length, GIVEN_UP)
        start, size = failed[0]
        raise SourceUnreadable(
            self.name,
            start,
            size,
            counted("{count} sector fails", "{count} sectors fail", len(failed)),
        )

    def _try_sector(self, offset: int, length: int) -> bytes | None:
        """Read within one sector, with retries; one that failed before is not tried again."""
        self.heartbeat()
        if offset - offset % self.sector_bytes in self._bad:
            return None
        for _ in range(1 + self.retries):
            data = self._try(offset, length)
            if data is not None or self.given_up:
                return data
        return None

    def close(self) -> None:
        """Let go of the drive."""
        if self.opened is not None:
            self.opened.close()
            self.opened = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(slots=True)
class _OpenFile:
    """An image file or a device that has a path, as the system opened it."""

    descriptor: int
    size_bytes: int
    identity: Identity

    def read_at(self, length: int, offset: int) -> bytes:
        return PLATFORM.read_at(self.descriptor, length, offset)

    def close(self) -> None:
        os.close(self.descriptor)


@dataclass(slots=True)
class _OpenImage:
    """A drive inside of image files that hold it in a way of their own."""

    image: Image
    identity: Identity

    @property
    def size_bytes(self) -> int:
        return self.image.facts.drive_bytes

    def read_at(self, length: int, offset: int) -> bytes:
        return self.image.read(offset, max(0, min(length, self.size_bytes - offset)))

    def close(self) -> None:
        self.image.close()


def open_drive(path: str | Path, *, retries: int = 1) -> Drive:
    """Open a block device or an image file for reading.

    Raises:
        SourceMissing: nothing is there.
        SourceForbidden: the system does not let this user read it.
        SourceNotDrive: a folder, a pipe, a socket or a character device.
        SourceForeign: a file that is too small to hold a drive.
        ImageRefused: a container that is not read, or is damaged, or misses a part.
        SourceVanished: it went away between being named and being opened.
    """
    name = str(path)
    opened = _open(name)
    try:
        size, identity = opened.size_bytes, opened.identity
        _hold_size(name, size)
        sector, known = identity.sector_bytes or 512, identity.sector_bytes is not None
        facts = opened.image.facts if isinstance(opened, _OpenImage) else None
        return Drive(name, size, sector, known, identity, retries, opened=opened, image=facts)
    except BaseException:
        opened.close()
        raise


def _open(name: str) -> Opened:
    try:
        return PLATFORM.open_device(name) or _open_file(name)
    except PermissionError as error:
        raise SourceForbidden(name, PLATFORM.how_to_be_let) from error
    except FileNotFoundError as error:
        raise SourceMissing(name) from error
    except OSError as error:
        raise SourceVanished(name, system_words(error)) from error


def _open_file(name: str) -> Opened:
    try:
        status = os.stat(name)  # noqa: PTH116 - a name that is no path is answered, too
    except (NotADirectoryError, ValueError) as error:
        raise SourceMissing(name) from error
    if not (stat.S_ISREG(status.st_mode) or PLATFORM.is_device(status)):
        raise SourceNotDrive(name, _kind_of_file(status.st_mode))
    descriptor = PLATFORM.open_to_read(name)
    try:
        status = os.fstat(descriptor)
        if not PLATFORM.is_device(status):
            return _open_image(
                name, ImageFile(name, descriptor, _size_of(name, descriptor), status)
            )
        identity = PLATFORM.identity(descriptor, status)
        return _OpenFile(descriptor, _size_of(name, descriptor), identity)
    except BaseException:
        os.close(descriptor)
        raise


def _open_image(name: str, file: ImageFile) -> Opened:
    """Open what a file holds: raw bytes, or an image that has them in a way of its own."""
    if not file.size_bytes:
        raise SourceForeign(name, say("it is empty"))
    image = open_image(file)
    if image is None:
        raw = Identity(kind="image", file_id=file.file_id)
        return _OpenFile(file.descriptor, file.size_bytes, raw)
    identity = Identity(
        kind="image",
        file_id=file.file_id,
        # NOTE: two descriptors may name one extent: then the two are one drive.
        backing_id=image.files[1].file_id if image.files[1:] else None,
        sector_bytes=image.sector_bytes,
        physical_sector_bytes=image.physical_sector_bytes,
    )
    return _OpenImage(image, identity)


def _size_of(name: str, descriptor: int) -> int:
    try:
        return PLATFORM.size_bytes(descriptor)
    except OSError as error:  # of a file that the system itself makes up
        raise SourceForeign(name, say("its size is not reported")) from error


def _hold_size(name: str, size: int) -> None:
    if size == 0:
        raise SourceForeign(name, say("it is empty"))
    if size < SMALLEST_DRIVE_BYTES:
        raise SourceForeign(name, say("its {size} bytes are less than one sector", size=size))


def _kind_of_file(mode: int) -> str:
    kinds = (
        (stat.S_ISDIR, say("a folder")),
        (stat.S_ISFIFO, say("a pipe")),
        (stat.S_ISSOCK, say("a socket")),
        (stat.S_ISCHR, say("a character device")),
        (stat.S_ISBLK, say("a device, and on this system only image files are read")),
    )
    return next((words for test, words in kinds if test(mode)), say("something else"))
