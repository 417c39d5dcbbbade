"""Which reader lists which filesystem."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.exfat.listing import ExfatVolume
from verify.filesystem.ext.listing import ExtListing
from verify.filesystem.fat.listing import FatListing
from verify.filesystem.kinds import traits_of
from verify.filesystem.ntfs.listing import NtfsListing

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from verify.filesystem.volume import Volume
    from verify.source.window import Window

_READERS: Mapping[str, Callable[[Window, str], Volume]] = {
    "ntfs": lambda window, _: NtfsListing(window),
    "fat": FatListing,
    "exfat": lambda window, _: ExfatVolume(window),
    "ext": lambda window, _: ExtListing(window),
}
"""By the family of filesystems; takes a volume and its kind."""


def open_volume(window: Window, kind: str) -> Volume:
    """Return the reader of a filesystem of one of the readable kinds.

    Raises:
        ReaderError: it does not take this one.
    """
    return _READERS[traits_of(kind).family](window, kind)
