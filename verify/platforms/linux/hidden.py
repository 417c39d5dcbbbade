"""Areas of a drive that reading it does not reach: what was asked, and what the kernel tells.

Only sysfs is asked: nothing is sent to a drive. Sources: Linux drivers/nvme/host/core.c and
drivers/mmc/core/block.c, which name the devices `nvme0n2` and `mmcblk0boot0` beside the drive's.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from verify.platforms.identity import HiddenArea
from verify.platforms.linux.sysfs import SECTOR_BYTES, number_in
from verify.text.message import say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from pathlib import Path

_NAMESPACE = re.compile(r"nvme\d+n\d+")
_OVER_MMC = re.compile(r"(boot|gp)\d+")
_VIRTUAL = frozenset({"virtio", "loop", "dm", "zram", "nbd"})


def hidden_areas(whole: Path, bus: str | None) -> tuple[HiddenArea, ...]:
    """Return what is known of the areas of a drive beside the one that is read.

    `whole`: the drive's folder in sysfs; `bus`: how it is attached.
    """
    if bus == "nvme":
        return (_beside(whole, say("further namespaces"), _NAMESPACE),)
    if bus == "mmc":
        # NOTE: an SD card has none; an eMMC shows them as devices of their own.
        pattern = re.compile(re.escape(whole.resolve().name) + _OVER_MMC.pattern)
        return (_beside(whole, say("boot and general purpose areas"), pattern),)
    reason = say("the kernel does not tell a drive's native size, and nothing is sent to the drive")
    if bus in _VIRTUAL:
        reason = say(
            "it is a virtual drive ({bus}); what lies behind it was not looked at", bus=bus
        )
    what = say("host protected area and configuration overlay")
    return (HiddenArea(what=what, answer="not asked", detail=reason),)


def _beside(whole: Path, what: str, pattern: re.Pattern[str]) -> HiddenArea:
    """Look for devices of the same drive beside its own in sysfs."""
    place = whole.resolve()
    try:
        names = sorted(child.name for child in place.parent.iterdir())
    except OSError as error:
        return HiddenArea(what=what, answer="not asked", detail=system_words(error))
    further = [name for name in names if name != place.name and pattern.fullmatch(name)]
    if not further:
        return HiddenArea(what=what, answer="none", detail=say("the kernel shows none beside it"))
    found = ", ".join(f"{name} ({_size(place.parent / name)})" for name in further)
    return HiddenArea(what=what, answer="found", detail=found)


def _size(folder: Path) -> str:
    sectors = number_in(folder / "size")
    if sectors is None:
        return "of unknown size"
    return say("{size:,} bytes", size=sectors * SECTOR_BYTES)
