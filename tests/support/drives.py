"""Drives for tests: bytes in memory, image files, and the xz images of the corpus.

Each is a `verify.source.window.Readable`; none can be written to.
"""

from __future__ import annotations

import errno
import lzma
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from verify.errors import SourceUnreadable, SourceVanished
from verify.source.window import Window
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.source.window import Readable

_STEP = 1 << 20
_HOLE = bytes(_STEP)


@dataclass(frozen=True)
class MemoryDrive:
    """Bytes as a drive; reads that touch a range of `bad` (start, end) fail as bad sectors do."""

    data: bytes
    name: str = "memory"
    bad: tuple[tuple[int, int], ...] = ()

    @property
    def size_bytes(self) -> int:
        """The number of bytes."""
        return len(self.data)

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly the bytes asked for."""
        for start, end in self.bad:
            if start < offset + length and offset < end:
                reason = system_words(OSError(errno.EIO, os.strerror(errno.EIO)))
                raise SourceUnreadable(self.name, start, end - start, reason)
        if offset + length > len(self.data):
            raise SourceVanished(self.name, "shorter than asked of")
        return self.data[offset : offset + length]


@dataclass(frozen=True)
class FileDrive:
    """An image file as a drive; it may be sparse and larger than memory."""

    path: Path

    @property
    def name(self) -> str:
        """The file's name."""
        return self.path.name

    @property
    def size_bytes(self) -> int:
        """The file's length."""
        return self.path.stat().st_size

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly the bytes asked for."""
        with self.path.open("rb") as file:
            file.seek(offset)
            data = file.read(length)
        if len(data) != length:
            raise SourceVanished(self.name, "shorter than asked of")
        return data


def whole(drive: Readable, sector_bytes: int = 512) -> Window:
    """Return a window over the whole drive."""
    return Window(drive, 0, drive.size_bytes, sector_bytes)


def memory_window(data: bytes, sector_bytes: int = 512) -> Window:
    """Return a window over bytes in memory."""
    return whole(MemoryDrive(data), sector_bytes)


def file_window(path: Path, sector_bytes: int = 512) -> Window:
    """Return a window over a whole image file."""
    return whole(FileDrive(path), sector_bytes)


def write_sparse(pieces: Iterable[bytes], path: Path) -> None:
    """Write bytes to a file, leaving a hole wherever a whole MiB of them is zero."""
    with path.open("wb") as file:
        for piece in pieces:
            if piece == _HOLE:
                file.seek(len(piece), os.SEEK_CUR)
            else:
                file.write(piece)
        file.truncate(file.tell())


def unpack_image(packed: Path, folder: Path) -> Path:
    """Unpack an `.img.xz` of the corpus sparsely into `folder`; a plain image stays in place."""
    if packed.suffix != ".xz":
        return packed
    path = folder / packed.stem
    with lzma.open(packed) as file:
        write_sparse(iter(lambda: file.read(_STEP), b""), path)
    return path
