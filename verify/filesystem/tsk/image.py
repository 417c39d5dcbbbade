"""What the library reads a volume through: a window, and what it is answered where sectors fail."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytsk3

from verify.errors import PastEnd, SourceUnreadable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.volume import Place
    from verify.source.window import Window

FOREIGN_ERRORS = (OSError, RuntimeError, AttributeError, KeyError, ValueError, SystemError)
"""What comes out of the library: OSError with a text for nearly all, RuntimeError around an error
of our own reads, the rest from objects whose pointers are null."""

_READ_AHEAD_BYTES = 64 << 10
"""What the library reads into its cache at once (TSK_IMG_INFO_CACHE_LEN)."""

AHEAD_BYTES = 16 << 10
"""The grid on which records are read ahead."""

_LONGEST_READ_BYTES = 1 << 20
_SECTOR = 512

_BAD_RECORD = b"BAAD\xff\xff\x03\0"
"""An invalid MFT record: the format's mark, and update sequence values that no record has."""


class LibraryImage(pytsk3.Img_Info):  # type: ignore[misc]
    """Hands the library a window instead of a drive; zeros are never invented for what fails."""

    def __init__(self, window: Window) -> None:
        self._window = window
        self.narrowed = 0
        self.records: tuple[Place, ...] = ()
        self.record_bytes = 0
        self.marked = False
        self._ahead: dict[int, bytes] = {}
        self._expected: frozenset[int] = frozenset()
        self._least = 0
        super().__init__(url="", type=pytsk3.TSK_IMG_TYPE_EXTERNAL)

    def read(self, offset: int, size: int) -> bytes:
        """Return up to `size` bytes; the window's end cuts, a failing sector raises."""
        length = min(size, self._window.size_bytes - offset)
        if length <= 0:
            return b""
        if offset in self._expected and (ahead := self._ahead.get(offset // AHEAD_BYTES)):
            part = ahead[offset % AHEAD_BYTES :][:length]
            if len(part) >= self._least:
                return part  # it asks for more than the record, and takes less
        try:
            return self._window.read(offset, length)
        except SourceUnreadable as error:
            # NOTE: the library reads ahead into its cache, and fails whatever it was doing where
            # that raises. A shorter answer gives it what it wanted if that lies before the sector
            # that fails; else it notices, and the sector is in the file's own clusters.
            before = error.offset - offset
            room = self._room_in_records(offset)
            if room:
                self.narrowed += 1
                return self._with_marks(offset, min(length, room))
            if length > _READ_AHEAD_BYTES or before <= 0:
                raise OSError(str(error)) from error
            self.narrowed += 1
        except PastEnd as error:
            raise OSError(str(error)) from error
        try:
            return self._window.read(offset, before)
        except SourceUnreadable as error:
            raise OSError(str(error)) from error

    def read_ahead(self, offsets: Iterable[int], least: int) -> None:
        """Read the records at these places, in their order on the drive, in place of all before.

        `least`: the bytes of a record.

        NOTE: the library reads a file's record when the file is opened, and keeps too few of them:
        without this a head goes to the records and back for every file. What fails is left to
        the library's own read.
        """
        self._ahead.clear()
        self._least = max(least, _SECTOR)
        # NOTE: it reads from the sector on that a record begins in. Nothing else begins there: a
        # read of a file's own bytes beside the records must not be cut short.
        self._expected = frozenset(offset - offset % _SECTOR for offset in offsets)
        wanted = sorted({offset // AHEAD_BYTES for offset in self._expected})
        for first, count in _runs(wanted, _LONGEST_READ_BYTES // AHEAD_BYTES):
            start = first * AHEAD_BYTES
            length = min(count * AHEAD_BYTES, self._window.size_bytes - start)
            try:
                data = self._window.read(start, length)
            except (SourceUnreadable, PastEnd):
                continue
            for step in range(count):
                self._ahead[first + step] = data[step * AHEAD_BYTES :][:AHEAD_BYTES]

    def _room_in_records(self, offset: int) -> int:
        """Return how many bytes of the MFT follow from a byte of it; 0 outside."""
        ends = (
            place.start + place.length
            for place in self.records
            if place.start <= offset < place.start + place.length
        )
        return next(ends, offset) - offset

    def _with_marks(self, offset: int, length: int) -> bytes:
        """Return records, those that cannot be read marked as bad, in the format's own way.

        The library walks all records before it opens the first folder, and passes over marked
        ones; a read error there would end the listing of everything else.
        """
        self.marked = True
        parts: list[bytes] = []
        at = offset
        while at < offset + length:
            size = min(self.record_bytes - at % self.record_bytes, offset + length - at)
            try:
                parts.append(self._window.read(at, size))
            except SourceUnreadable:
                parts.append(_BAD_RECORD.ljust(size, b"\0")[:size])
            at += size
        return b"".join(parts)

    def get_size(self) -> int:
        """Return the window's size in bytes."""
        return self._window.size_bytes


def _runs(numbers: Iterable[int], most: int) -> Iterator[tuple[int, int]]:
    """Yield numbers in ascending order as runs (first, count) of at most `most`."""
    first = count = 0
    for number in numbers:
        if count and number == first + count and count < most:
            count += 1
            continue
        if count:
            yield first, count
        first, count = number, 1
    if count:
        yield first, count
