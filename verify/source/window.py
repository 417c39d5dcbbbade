"""A bounded view of a drive: what every parser gets instead of the drive itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from verify.errors import PastEnd, SourceUnreadable

if TYPE_CHECKING:
    from collections.abc import Iterator


class Readable(Protocol):
    """Anything that gives back bytes by place: a drive, or bytes in a test."""

    @property
    def name(self) -> str:
        """How it is called in a message."""
        ...

    @property
    def size_bytes(self) -> int:
        """Its length in bytes."""
        ...

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly `length` bytes from byte `offset`.

        Raises:
            SourceUnreadable: some of them cannot be read.
            SourceVanished: the drive is gone or shorter than it was.
        """
        ...


@dataclass(frozen=True, slots=True)
class Beginning:
    """The first `size_bytes` bytes of a drive, as a drive of that length."""

    drive: Readable
    size_bytes: int

    @property
    def name(self) -> str:
        """The drive's name, for messages."""
        return self.drive.name

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly `length` bytes from byte `offset`."""
        return self.drive.read_at(offset, length)


@dataclass(frozen=True, slots=True)
class Window:
    """`size_bytes` bytes of a drive from byte `start`; offsets inside it count from 0.

    `sector_bytes` is the drive's logical sector size. A reader of a filesystem gets one of these
    and never learns where it lies on the drive.
    """

    drive: Readable
    start: int
    size_bytes: int
    sector_bytes: int

    @property
    def name(self) -> str:
        """The drive's name, for messages."""
        return self.drive.name

    def read(self, offset: int, length: int) -> bytes:
        """Return exactly `length` bytes from byte `offset` of the window.

        Raises:
            PastEnd: the range is not wholly inside the window (or the drive).
            SourceUnreadable: the drive does not give the bytes back; offsets are the window's.
            SourceVanished: the drive is gone.
        """
        if offset < 0 or length < 0 or offset + length > self.size_bytes:
            raise PastEnd(self.name, offset, length, self.size_bytes)
        if self.start + offset + length > self.drive.size_bytes:
            inside = max(0, self.drive.size_bytes - self.start)
            raise PastEnd(self.name, offset, length, inside)
        try:
            return self.drive.read_at(self.start + offset, length)
        except SourceUnreadable as error:
            raise SourceUnreadable(
                self.name, error.offset - self.start, error.length, error.reason
            ) from error

    def chunks(self, offset: int, length: int, step: int) -> Iterator[bytes]:
        """Yield `length` bytes from `offset` in pieces of at most `step` bytes."""
        end = offset + length
        while offset < end:
            size = min(step, end - offset)
            yield self.read(offset, size)
            offset += size

    def window(self, offset: int, length: int) -> Window:
        """Return the part of this window that starts at byte `offset` and is `length` long."""
        return Window(self.drive, self.start + offset, length, self.sector_bytes)
