"""A search for signatures on a drive that may fail: what could not be read may have held one."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

from verify.errors import SourceUnreadable
from verify.filesystem.description import Unread
from verify.source.window import Readable

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.source.window import Window

SIGNATURE = "signature of a filesystem or a set"
"""What `Unread.what` calls a place where one might have stood."""

Found = TypeVar("Found")


@dataclass(slots=True)
class NotingDrive:
    """A drive that notes which reads of a search failed, whatever the searcher made of it."""

    drive: Readable
    _searching: bool = False
    _failed: dict[int, SourceUnreadable] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The drive's own."""
        return self.drive.name

    @property
    def size_bytes(self) -> int:
        """The drive's own."""
        return self.drive.size_bytes

    def read_at(self, offset: int, length: int) -> bytes:
        """Read as the drive does."""
        try:
            return self.drive.read_at(offset, length)
        except SourceUnreadable as error:
            if self._searching:
                self._failed.setdefault(error.offset, error)
            raise

    def search(self, step: Callable[[Window], Found], window: Window) -> Found:
        """Look for one kind in a window of this drive."""
        self._searching = True
        try:
            return step(window)
        finally:
            self._searching = False

    def missed(self, start: int) -> tuple[Unread, ...]:
        """Return what was not searched; `start`: where the window begins, in bytes."""
        return tuple(
            Unread(
                what=SIGNATURE,
                reason=str(
                    SourceUnreadable(error.source, offset - start, error.length, error.reason)
                ).rstrip("."),
            )
            for offset, error in sorted(self._failed.items())
        )
