"""What was read so far, on disk, so that a long reading that was cut off can go on.

A file of lines: a head that says what the rest belongs to (the digest of the listing, or of the
range, that its numbers count in), then a line for each file or block that was read whole: its
number, and its BLAKE3 or its whole row. Each line ends with a digest of its own, so that one that
was torn by the end of the power, or changed since, is not believed: it is read again.
"""

from __future__ import annotations

import errno
import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Self

from blake3 import blake3

from verify.text.message import say
from verify.whole_file import private_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

SYNC_SECONDS = 5.0
"""How much of the work a pulled plug may take."""

MOST_READ_AGAIN = 32
"""Files or blocks that are read again before a reading goes on, spread over all that were read."""

NO_NOTE = say("its record of progress cannot be read")

_DIGEST_CHARACTERS = 64
_HEAD = b"drivewitness checkpoint 1 "
_CHECK_DIGITS = 16


@dataclass(slots=True)
class Checkpoint:
    """What was read of one partition; `belongs` says what its numbers count in."""

    path: Path
    belongs: str
    _file: BinaryIO | None = None
    _synced: float = field(default_factory=time.monotonic)

    def __enter__(self) -> Self:
        handle = private_file(self.path)
        if os.fstat(handle).st_nlink > 1:
            os.close(handle)
            raise OSError(errno.EMLINK, "it has another name elsewhere", str(self.path))
        self._file = os.fdopen(handle, "a+b")
        if not self.path.stat().st_size:
            self._write(_HEAD + self.belongs.encode("ascii"))
        else:
            self._file.write(b"\n")  # ends a line that was torn, which then is none
        self._sync()
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._sync()
            self._file.close()

    @property
    def fits(self) -> bool:
        """Whether what was noted before counts in the same listing or range."""
        return next(self._lines(), None) == _HEAD + self.belongs.encode("ascii")

    def noted(self) -> Iterator[tuple[int, bytes]]:
        """Yield (number, digest or row) of what was read before."""
        for line in self._lines():
            number, _, text = line.partition(b" ")
            if number.isdigit():
                yield int(number), text

    def note(self, number: int, text: bytes) -> None:
        """Write down what was read, and see now and then that it is on disk."""
        self._write(b"%d %s" % (number, text))
        if time.monotonic() - self._synced >= SYNC_SECONDS:
            self._sync()

    def _lines(self) -> Iterator[bytes]:
        with self.path.open("rb") as file:
            for line in file:
                text, _, check = line.rstrip(b"\n").rpartition(b" ")
                if check == _check(text):
                    yield text

    def _write(self, text: bytes) -> None:
        self._opened().write(b"%s %s\n" % (text, _check(text)))

    def _sync(self) -> None:
        file = self._opened()
        file.flush()
        os.fsync(file.fileno())
        self._synced = time.monotonic()

    def _opened(self) -> BinaryIO:
        if self._file is None:
            raise ValueError("the checkpoint is not open")
        return self._file


def _check(text: bytes) -> bytes:
    return blake3(text).hexdigest()[:_CHECK_DIGITS].encode("ascii")


def digest_noted(note: bytes) -> str:
    """Return a note as a BLAKE3; ValueError where it is something else."""
    text = note.decode("ascii")
    if len(text) != _DIGEST_CHARACTERS or text != bytes.fromhex(text).hex():
        raise ValueError("no digest")
    return text


def read_again(numbers: Sequence[int]) -> list[int]:
    """Return which of the numbers are read again: evenly spread, the first and last among them."""
    if len(numbers) <= MOST_READ_AGAIN:
        return list(numbers)
    last = len(numbers) - 1
    return [numbers[step * last // (MOST_READ_AGAIN - 1)] for step in range(MOST_READ_AGAIN)]
