"""Progress is an object handed in; its default does nothing, so the library is silent."""

from __future__ import annotations


class Progress:
    """Told how a capture goes; every method does nothing here."""

    def phase(self, words: str) -> None:
        """Say what is being done now (`listing partition 3`)."""

    def expect(self, more_bytes: int) -> None:
        """Say that this many more bytes are going to be read."""

    def advance(self, read_bytes: int) -> None:
        """Say that this many of the expected bytes were read."""
