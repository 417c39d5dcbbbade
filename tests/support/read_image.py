"""Reading a drive of a container whole, or learning why it is not read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import ImageRefused, SourceUnreadable
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

STEP = 1 << 20
LARGEST = 64 << 20


def read_whole(path: Path) -> bytes:
    """Return all bytes of a drive; a sector that is unreadable fails.

    Of one that damage made huge only its length, in words.
    """
    with open_drive(path, retries=0) as drive:
        size = drive.size_bytes
        if size > LARGEST:
            return b"%d bytes" % size
        return b"".join(drive.read_at(at, min(STEP, size - at)) for at in range(0, size, STEP))


def what_becomes_of(path: Path) -> bytes | str:
    """Return all bytes of a drive, or a word on why there are none: refused, or unreadable."""
    try:
        return read_whole(path)
    except ImageRefused:
        return "refused"
    except SourceUnreadable:
        return "unreadable"


def flipped(data: bytes, at: int, bit: int = 0) -> bytes:
    """Return the same bytes with one bit changed."""
    return data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]
