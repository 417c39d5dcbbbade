"""What a device is a part of: a partition of its drive, or a device mapped from a part of one.

Sources: Linux Documentation/ABI/stable/sysfs-block (`partition`, `start`, `slaves`, and that sizes
are counted in 512 bytes), testing/sysfs-block-dm and drivers/block/loop.c (`loop/backing_file`,
`offset`, `sizelimit`). The prefixes of the device mapper's identifiers are those of multipath-tools
(`mpath-`, `partN-`), lvm2 (`LVM-`), cryptsetup (`CRYPT-`) and dmraid (`DMRAID-`).
"""

from __future__ import annotations

import stat
from dataclasses import replace
from pathlib import Path

from verify.platforms.identity import PartOf
from verify.platforms.linux.sysfs import SECTOR_BYTES, device_number, number_in, text_in

_DEEPEST = 16
"""Layers below a device that are followed: real ones are three or four."""

_WHOLE_MAPPINGS = ("mpath-", "DMRAID-")
"""Mappings that stand for whole drives: several ways to one, and a controller's set."""

_VOLUME_MAPPINGS = ("part", "LVM-", "CRYPT-")
"""Mappings that stand for one partition or one volume, wherever it lies."""


def part_of(folder: Path, depth: int = 0) -> PartOf | None:
    """Return what a device is a part of; `None` where it is a drive, or nobody tells.

    `folder`: the device's own in sysfs.
    """
    real = folder.resolve()
    if depth > _DEEPEST:
        return None
    if (real / "partition").exists():
        start = number_in(real / "start")
        return PartOf(
            path=_name(real.parent),
            by="partition",
            number=number_in(real / "partition"),
            start_bytes=None if start is None else start * SECTOR_BYTES,
        )
    return _of_loop(real, depth) or _of_layers(real, depth)


def _of_loop(real: Path, depth: int) -> PartOf | None:
    """Return what a loop device shows a part of: an image file, or what its device is part of."""
    backing = text_in(real / "loop/backing_file")
    if backing is None:
        return None
    try:
        status = Path(backing).stat()
    except OSError:
        return None
    if stat.S_ISBLK(status.st_mode):
        below = _by_number(real, status.st_rdev)
        inner = part_of(below, depth + 1)
        if inner is not None:
            return replace(inner, by="mapping")
        size = (number_in(below / "size") or 0) * SECTOR_BYTES
    else:
        size = status.st_size
    start, limit = number_in(real / "loop/offset") or 0, number_in(real / "loop/sizelimit") or 0
    if not start and not 0 < limit < size:
        return None
    return PartOf(path=backing, by="mapping", start_bytes=start)


def _of_layers(real: Path, depth: int) -> PartOf | None:
    """Return the drives under a mapped device or a set, where it is not made of whole ones."""
    below = [item.resolve() for item in sorted(real.glob("slaves/*"))]
    uuid = text_in(real / "dm/uuid") or ""
    if not below or uuid.startswith(_WHOLE_MAPPINGS):
        return None
    inner = [part_of(item, depth + 1) for item in below]
    cut = len(below) == 1 and (number_in(real / "size") or 0) < (number_in(below[0] / "size") or 0)
    is_mapping = (real / "dm").is_dir()
    if not any(inner) and not (is_mapping and (cut or uuid.startswith(_VOLUME_MAPPINGS))):
        return None
    paths = (part.path if part else _name(item) for part, item in zip(inner, below, strict=True))
    return PartOf(path=" and ".join(dict.fromkeys(paths)), by="mapping")


def _by_number(real: Path, number: int) -> Path:
    """Return the sysfs folder of a device by its number, in the tree that `real` lies in."""
    tree = next((item for item in real.parents if (item / "dev/block").is_dir()), Path("/sys"))
    return (tree / "dev/block" / device_number(number)).resolve()


def _name(real: Path) -> str:
    """Return the path that a device is given by; a mapped one by its own name."""
    mapped = text_in(real / "dm/name")
    # NOTE: sysfs writes `!` for the slashes of a name (stable/sysfs-block).
    return f"/dev/mapper/{mapped}" if mapped else f"/dev/{real.name.replace('!', '/')}"
