"""Progress is an object handed in; its default does nothing, so the library is silent."""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.source.drive import Drive

WORDS_AFTER_SECONDS = 5.0
"""How long nothing may come from a drive before the screen says so."""

_LOOK_SECONDS = 0.5


class Progress:
    """Told how a capture goes; every method does nothing here."""

    def phase(self, words: str) -> None:
        """Say what is being done now (`listing partition 3`)."""

    def expect(self, more_bytes: int) -> None:
        """Say that this many more bytes are going to be read."""

    def advance(self, read_bytes: int) -> None:
        """Say that this many of the expected bytes were read."""

    def failing(self, areas: int, seconds: float) -> None:
        """Say that this many more areas are unreadable, and what a failing read took."""

    def waiting(self, seconds: float) -> None:
        """Say for how long nothing has come from the drive; 0: something came again."""


@contextmanager
def watched(drive: Drive, progress: Progress) -> Iterator[None]:
    """Tell of reads of this process that fail, and, while one lasts, for how long."""
    drive.failed = progress.failing
    ended = threading.Event()

    def look() -> None:
        told = False
        while not ended.wait(_LOOK_SECONDS):
            since = drive.reading_since
            seconds = 0.0 if since is None else time.monotonic() - since
            waits = seconds >= WORDS_AFTER_SECONDS
            if waits or told:
                progress.waiting(seconds if waits else 0)
            told = waits

    threading.Thread(target=look, daemon=True).start()
    try:
        yield
    finally:
        ended.set()
