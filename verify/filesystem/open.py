"""Which reader lists which filesystem."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.exfat.listing import ExfatVolume
from verify.filesystem.library.volume import LibraryVolume

if TYPE_CHECKING:
    from verify.filesystem.volume import Volume
    from verify.source.window import Window


def open_volume(window: Window, kind: str) -> Volume:
    """Return the reader of a filesystem of one of the readable kinds.

    Raises:
        ReaderError: it does not take this one.
    """
    return ExfatVolume(window) if kind == "exfat" else LibraryVolume(window, kind)
