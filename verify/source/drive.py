"""The one opener: `O_RDONLY`, nothing else, and every byte of a drive comes through here.

A read that fails is narrowed to the sectors that fail; they are remembered, so that a hash over
bytes that could not be read is never taken for one.
"""

from __future__ import annotations

import math
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
from verify.source.bad_ranges import BadRanges
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

_LARGEST_SECTOR_BYTES = 64 << 10
"""A physical sector said to be larger is not believed."""

PATIENCE_SECONDS = 600.0
"""How long reads may fail before no failing read is repeated any more, and, where not a byte came
between, before the drive is asked whether it still reads anywhere: a failing read holds it for
seconds, and wears out what still works."""

PROBES = 8
"""Places, spread over the drive, of which one must be readable where all reads have failed."""

_GOLDEN = 0.6180339887498949
"""Multiples of it, without their whole part, are spread evenly however many there are."""

_LEARNED = 2
"""Physical sectors whose logical ones are asked one by one; if all of each fail, the drive's word
on its physical sectors is believed."""

GIVEN_UP = say("reads of it failed for so long that it is not read any more")


@dataclass(slots=True)
class Drive:
    """A drive or an image, open for reading.

    `size_bytes` is its length; `sector_bytes` its logical sector size: the kernel's answer for a
    device, 512 for an image until its table says otherwise (`sector_known`). `retries`: how often
    a failing read is tried again. `unreadable` collects byte ranges (start, length), sector by
    sector; `failures` counts reads that failed in the end. `heartbeat` is called before each
    read of a single sector: a failing drive is slow, not hung. `failed` is called with each new
    unreadable area (1, 0 s), and of each read that failed (0, its seconds).

    How often a bad sector is asked for: once within a larger read, unless the sector before it is
    known to be bad; then by itself, once and `retries` times; once more as a logical sector, in the
    first physical sectors that fail. Never again after that. Every other sector of the range
    is read. After `patience_seconds` spent in failing reads none is repeated. The drive is
    `given_up` where it failed for so long without giving one byte, and fails at `PROBES` other
    places as well. `image`: what a container, or a split image, says of itself.
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
    failed: Callable[[int, float], None] = lambda _areas, _seconds: None
    opened: Opened | None = None
    image: ImageFacts | None = None
    patience_seconds: float = PATIENCE_SECONDS
    given_up: bool = False
    clock: Callable[[], float] = time.monotonic
    reading_since: float | None = None
    _failing_seconds: float = 0.0
    _seconds_without_a_byte: float = 0.0
    _probes: int = 0
    _physical_held: int = 0
    _bad: BadRanges = field(default_factory=BadRanges)

    def know_unreadable(self, ranges: Iterable[tuple[int, int]]) -> None:
        """Take byte ranges (start, length) that failed before: they are not tried again."""
        for start, length in ranges:
            self._mark(start, length, tell=False)

    def is_unreadable(self, start: int, length: int) -> bool:
        """Whether a sector of these bytes is known to fail."""
        return self._bad.first_in(start, start + length) is not None

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly `length` bytes from byte `offset`.

        Raises:
            SourceUnreadable: sectors of the range fail; the first of them is named, all of them
                are in `unreadable`, and the rest of the range was still tried.
            SourceVanished: the drive is gone or shorter than it was.
        """
        end, at = offset + length, offset
        parts: list[bytes] = []
        while at < end and not self.given_up:
            bad = self._bad.first_in(at, end)
            self._read_gap(at, end if bad is None else max(at, bad[0]), parts)
            if bad is None:
                break
            at = min(bad[1], end)
        bad = self._bad.first_in(offset, end)
        if bad is None and not self.given_up:
            return parts[0] if len(parts) == 1 else b"".join(parts)
        self.failures += 1
        if bad is None:
            raise SourceUnreadable(self.name, offset, length, GIVEN_UP)
        raise self._sectors_fail(offset, end, bad)

    def _sectors_fail(self, offset: int, end: int, bad: tuple[int, int]) -> SourceUnreadable:
        step, first = self.sector_bytes, max(bad[0], offset - offset % self.sector_bytes)
        parts = self._bad.parts_of(offset, end)
        count = sum(-(-last // step) - start // step for start, last in parts)
        words = counted("{count} sector fails", "{count} sectors fail", count)
        return SourceUnreadable(self.name, first, step, words)

    def _read_gap(self, at: int, end: int, parts: list[bytes]) -> None:
        """Read what is not known to be bad: as a whole, or else by physical sectors.

        Behind a bad sector another one is likely, and a larger read would only fail once more.
        """
        step = self._step
        if end - at > step and not self._bad.ends_at(at):
            data = self._try(at, end - at)
            parts.append(data)
            at += len(data)
        while at < end and not self.given_up:
            size = min(step - at % step, end - at)
            self.heartbeat()
            data = self._ask(at, size)
            if len(data) == size:
                parts.append(data)
            elif not self.given_up:
                parts.append(self._ask_logical(at, size))
            at += size

    @property
    def _step(self) -> int:
        """What the drive reads at least: its physical sector, if its word on that holds."""
        physical = self.identity.physical_sector_bytes or 0
        believed = self._physical_held >= 0 and physical <= _LARGEST_SECTOR_BYTES
        return physical if believed and physical > self.sector_bytes else self.sector_bytes

    def _ask(self, offset: int, length: int) -> bytes:
        """Read once, and again as often as is said; what came is shorter where all failed."""
        data = self._try(offset, length)
        tries = self.retries
        while len(data) < length and tries and not self.given_up and self._is_patient:
            data = self._try(offset, length)
            tries -= 1
        return data

    @property
    def _is_patient(self) -> bool:
        return self._failing_seconds <= self.patience_seconds

    def _ask_logical(self, offset: int, length: int) -> bytes:
        """Mark a piece that failed; return what of it could be read after all.

        The first few are asked by their logical sectors, since an adapter may report physical
        sectors that the drive behind it does not have: then those before and behind are good.
        """
        step, whole = self.sector_bytes, self._step
        if length <= step:
            self._mark(offset, length)
            return b""
        if self._physical_held >= _LEARNED:
            self._mark(offset - offset % whole, whole)
            return b""
        parts: list[bytes] = []
        for at in range(offset, offset + length, step):
            size = min(step, offset + length - at)
            data = b"" if self.given_up else self._try(at, size)
            if len(data) == size:
                parts.append(data)
            else:
                self._mark(at, size)
        if parts:
            self._physical_held = -1
        elif self._physical_held >= 0 and length == whole:
            self._physical_held += 1
        return b"".join(parts)

    def _mark(self, start: int, length: int, *, tell: bool = True) -> None:
        """Remember the sectors of these bytes as unreadable, and tell of a new area."""
        step = self.sector_bytes
        for at in range(start - start % step, start + length, step):
            if self._bad.first_in(at, at + step) is None:
                areas = len(self._bad)
                self._bad.add(at, at + step)
                if tell and len(self._bad) > areas:
                    self.failed(1, 0.0)
                self.unreadable.append((at, step))

    def _try(self, offset: int, length: int) -> bytes:
        """Read once; where the drive answers with a read error, what it gave before that."""
        parts: list[bytes] = []
        self.reading_since = began = self.clock()
        try:
            self._read(offset, length, parts)
        except OSError as error:
            if not PLATFORM.is_medium_error(error):
                raise SourceVanished(self.name, system_words(error)) from error
        except ImageDamage:
            parts.clear()
        finally:
            self.reading_since = None
        data = parts[0] if len(parts) == 1 else b"".join(parts)
        if len(data) == length:
            self._seconds_without_a_byte = 0.0
            return data
        self._tell_failure(self.clock() - began)
        # NOTE: whole sectors, since the rest is asked sector by sector
        return data[: max(0, len(data) - (offset + len(data)) % self.sector_bytes)]

    def _tell_failure(self, seconds: float) -> None:
        """Count a failing read, and give up a drive that gives nothing any more."""
        self._failing_seconds += seconds
        self._seconds_without_a_byte += seconds
        self.failed(0, seconds)
        if self._seconds_without_a_byte > self.patience_seconds:
            self.given_up = self.patience_seconds <= 0 or not self._still_reads()

    def _still_reads(self) -> bool:
        """Whether the drive still gives a sector at one of several places all over it."""
        self._seconds_without_a_byte = -math.inf  # these reads are not counted
        step = self._step
        for _ in range(PROBES):
            self._probes += 1
            at = int(self._probes * _GOLDEN % 1 * (self.size_bytes // step)) * step
            size = min(step, self.size_bytes - at)
            if not self.is_unreadable(at, size) and len(self._try(at, size)) == size:
                return True
        return False

    def _read(self, offset: int, length: int, parts: list[bytes]) -> None:
        """Read into `parts`: what came before a read error stays there."""
        opened = self.opened
        if opened is None:
            raise SourceVanished(self.name, say("it was closed"))
        missing = length
        while missing:
            data = opened.read_at(missing, offset + length - missing)
            if not data:
                end = offset + length - missing
                raise SourceVanished(self.name, say("it ends at byte {end}", end=end))
            parts.append(data)
            missing -= len(data)

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
