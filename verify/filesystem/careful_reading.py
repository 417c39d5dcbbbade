"""Reading a filesystem that may be cut short, damaged or hostile, and keeping what failed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol, TypeVar

from verify.errors import PastEnd, SourceUnreadable, StructureError
from verify.filesystem.description import Filesystem, Unread
from verify.source.window import Window
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator


T = TypeVar("T")

UNREADABLE = (PastEnd, SourceUnreadable, StructureError)
"""What a damaged or shortened filesystem raises; a drive that vanished is another matter."""

STEP_BYTES = 1 << 20
"""How much is read at once of a bitmap, a FAT or a directory."""


@dataclass(frozen=True, slots=True)
class Reader:
    """A window, and what could not be read of it. Only `SourceVanished` comes through."""

    window: Window
    unread: list[Unread] = field(default_factory=list)

    def note(self, what: str, reason: str) -> None:
        """Record that `what` is missing, and why."""
        self.unread.append(Unread(what=what, reason=reason))

    def attempt(self, what: str, step: Callable[[], T]) -> T | None:
        """Return what `step` returns, or note why `what` is missing."""
        try:
            return step()
        except UNREADABLE as error:
            self.note(what, str(error))
            return None

    def read(self, offset: int, length: int, what: str) -> bytes | None:
        """Return exactly `length` bytes from byte `offset`, or note why `what` is missing."""
        return self.attempt(what, lambda: self.window.read(offset, length))

    def peek(self, offset: int, length: int) -> bytes:
        """Return `length` bytes from `offset`, or none where they are no part of the window.

        Unreadable sectors are noted: a signature may have stood there.
        """
        try:
            return self.window.read(offset, length)
        except PastEnd:
            return b""
        except SourceUnreadable as error:
            self.note(say("signature"), str(error))
            return b""

    def pieces(self, runs: Iterable[tuple[int, int]], what: str) -> Iterator[bytes]:
        """Yield the bytes of runs (offset, length) in steps; ends early where one fails."""
        for offset, length in runs:
            for at in range(offset, offset + length, STEP_BYTES):
                piece = self.read(at, min(STEP_BYTES, offset + length - at), what)
                if piece is None:
                    return
                yield piece


class Candidate(Protocol):
    """A kind whose structure was found.

    `proven`: a second structure elsewhere agrees with the first; a boot sector or superblock
    alone may be left over from what was there before.
    """

    @property
    def kind(self) -> str:
        """The kind, as in `Filesystem.kind`."""
        ...

    @property
    def proven(self) -> bool:
        """Whether a second structure agrees."""
        ...

    def describe(self) -> Filesystem:
        """Read everything the filesystem says of itself."""
        ...


@dataclass(frozen=True, slots=True)
class Described:
    """A candidate whose first structure says all there is to say."""

    filesystem: Filesystem
    proven: bool = True

    @property
    def kind(self) -> str:
        """The kind, as in `Filesystem.kind`."""
        return self.filesystem.kind

    def describe(self) -> Filesystem:
        """Return what was read."""
        return self.filesystem


def is_power_of_two(value: int) -> bool:
    """Whether `value` is 1, 2, 4, 8 and so on."""
    return value > 0 and value & (value - 1) == 0


def masked(data: bytes, *ranges: tuple[int, int]) -> bytes:
    """Return `data` with the byte ranges (start, end) set to 0: fields that may lawfully differ."""
    whole = bytearray(data)
    for start, end in ranges:
        whole[start:end] = bytes(len(whole[start:end]))
    return bytes(whole)
