"""Whether what is written somewhere lands on a drive that is read: Linux.

A drive that is read is the whole of it: any partition, and any layer on it (encryption, logical
volume, set, subvolume). An image file is the file, and every loop device and mount made of it; the
filesystem that it lies on is not read by that, and takes results beside it.

Files for which no drive is reported are not refused: memory, a network share, ZFS, a container's
overlay.
"""

from __future__ import annotations

import stat
from pathlib import Path
from typing import TYPE_CHECKING

from verify.platforms.linux.mounts import Beneath, beneath, beneath_device, mount_of, read_mounts
from verify.platforms.linux.sysfs import device_number

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.platforms.linux.mounts import Mount
    from verify.platforms.linux.sysfs import Places


def written_onto(place: Path, reads: Iterable[str], places: Places) -> str | None:
    """Return which of the drives and images that are read a new file or folder would lie on.

    Args:
        place: where it is going to be; folders that are not there yet may be among its parents.
        reads: devices and image files; anything else is left out.
        places: where the kernel tells.
    """
    try:
        mounts = read_mounts(places.proc)
    except OSError:
        return None
    below = [beneath(mount, mounts, places) for mount in _mounts_of(place, mounts)]
    for path in reads:
        read = _what_is_read(path, places)
        if any(_meet(read, found) for found in below):
            return path
    return None


def _mounts_of(place: Path, mounts: tuple[Mount, ...]) -> list[Mount]:
    """Return the mount that a place lies on, by its path and by the device that the kernel names.

    Either may be another one: a mount hides those beneath it, and btrfs has a device for each
    subvolume that no mount is listed with.
    """
    real = place.resolve()
    folder = next(folder for folder in (real, *real.parents) if folder.exists())
    number = device_number(folder.stat().st_dev)
    by_path = mount_of(mounts, str(folder))
    by_device = next((mount for mount in mounts if mount.number == number), None)
    return [mount for mount in (by_path, by_device) if mount is not None]


def _what_is_read(path: str, places: Places) -> Beneath:
    try:
        status = Path(path).stat()
    except (OSError, ValueError):  # opening it says what is wrong
        return Beneath()
    if stat.S_ISBLK(status.st_mode):
        return beneath_device(device_number(status.st_rdev), places)
    return Beneath(files={path})


def _meet(read: Beneath, written: Beneath) -> bool:
    """Whether a drive, a layer or an image file is among both."""
    if (read.drives | read.between) & (written.drives | written.between):
        return True
    return any(_is_same(one, other) for one in read.files for other in written.files)


def _is_same(one: str, other: str) -> bool:
    try:
        return Path(one).samefile(other)
    except OSError:
        return False
