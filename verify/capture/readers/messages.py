"""What a reader process tells the one that started it, line by line."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from typing import Any, TextIO

from verify.text.message import packed

_EVERY_SECONDS = 0.2


@dataclass(slots=True)
class Reporter:
    """Writes messages: at once what matters, a few times a second what only moves a bar."""

    out: TextIO
    _read: int = 0
    _last: float = field(default_factory=time.monotonic)

    def send(self, **message: Any) -> None:
        """Send a message now."""
        self.out.write(json.dumps(packed(message)) + "\n")
        self.out.flush()

    def alive(self) -> None:
        """Say, a few times a second at most, that work goes on."""
        self.advance(0)

    def advance(self, read_bytes: int) -> None:
        """Say that bytes were read."""
        self._read += read_bytes
        now = time.monotonic()
        if now - self._last >= _EVERY_SECONDS:
            self.send(advance=self._read)
            self._read, self._last = 0, now

    def failing(self, areas: int, seconds: float) -> None:
        """Say that this many more areas are unreadable, and what a failing read took."""
        self.send(failing=[areas, seconds])

    def flush(self) -> None:
        """Say what is not yet said."""
        if self._read:
            self.send(advance=self._read)
            self._read = 0
