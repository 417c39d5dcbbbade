"""Which examination belongs to which filesystem: one function a family, none for the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import SourceVanished
from verify.filesystem.examination import not_examined
from verify.filesystem.opaque.examine_locked import examine_bitlocker, examine_luks
from verify.filesystem.opaque.examine_volumes import examine_btrfs, examine_lvm, examine_xfs
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from verify.filesystem.examination import Examination
    from verify.source.window import Window

    Examiner = Callable[[Window, Callable[[], None]], Examination]
"""Takes a volume and what tells that the work goes on; whatever the volume holds, it returns."""


# NOTE: each is imported when it is needed: with numpy, they take long to load.


def _examine_fat(window: Window, alive: Callable[[], None]) -> Examination:
    from verify.filesystem.fat.examine import examine_fat  # noqa: PLC0415

    return examine_fat(window, alive)


def _examine_exfat(window: Window, alive: Callable[[], None]) -> Examination:
    from verify.filesystem.exfat.examine import examine_exfat  # noqa: PLC0415

    return examine_exfat(window, alive)


def _examine_ntfs(window: Window, alive: Callable[[], None]) -> Examination:
    from verify.filesystem.ntfs.examine import examine_ntfs  # noqa: PLC0415

    return examine_ntfs(window, alive)


def _examine_ext(window: Window, alive: Callable[[], None]) -> Examination:
    from verify.filesystem.ext.examine import examine_ext  # noqa: PLC0415

    return examine_ext(window, alive)


EXAMINERS: Mapping[str, Examiner] = {
    "bitlocker": examine_bitlocker,
    "btrfs": examine_btrfs,
    "exfat": _examine_exfat,
    "ext2": _examine_ext,
    "ext3": _examine_ext,
    "ext4": _examine_ext,
    "fat12": _examine_fat,
    "fat16": _examine_fat,
    "fat32": _examine_fat,
    "luks": examine_luks,
    "lvm": examine_lvm,
    "ntfs": _examine_ntfs,
    "xfs": examine_xfs,
}
"""By the kind of filesystem; of those that are not listed, their headers alone."""


def examine(window: Window, kind: str, alive: Callable[[], None]) -> Examination | None:
    """Examine a volume; `None` for a kind that is not examined.

    A fault of an examiner itself is recorded as something left out: it must not cost the listing.

    Raises:
        SourceVanished: the drive went away.
    """
    examiner = EXAMINERS.get(kind)
    if examiner is None:
        return None
    try:
        return examiner(window, alive)
    except SourceVanished:
        raise
    except Exception as error:  # noqa: BLE001 - whatever a volume made of it, the listing goes on
        return not_examined(
            say(
                "the examination failed: {name}: {error}",
                name=type(error).__name__,
                error=str(error),
            )
        )
