"""What a system gives back that opened a device or an image file for reading."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from verify.platforms.identity import Identity


class Opened(Protocol):
    """A device or an image file that is open for reading, and nothing else."""

    @property
    def size_bytes(self) -> int:
        """Its length in bytes."""
        ...

    @property
    def identity(self) -> Identity:
        """Which it is, as far as the system tells."""
        ...

    def read_at(self, length: int, offset: int) -> bytes:
        """Return up to `length` bytes from byte `offset`; fewer at the end, none behind it.

        Raises:
            OSError: they cannot be read.
        """
        ...

    def close(self) -> None:
        """Let go of it."""
        ...
