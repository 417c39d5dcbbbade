"""What is mounted, and which drives lie under a mount: Linux.

Sources: proc_pid_mountinfo(5); kernel Documentation/ABI/stable/sysfs-block (`slaves`,
`partition`), testing/sysfs-block-dm (`dm/name`, `dm/uuid`), admin-guide/md.rst (`md/level`),
filesystems/overlayfs.rst (lowerdir, upperdir); btrfs' own pages on sysfs (`devices`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from verify.platforms.linux.sysfs import text_in
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.platforms.linux.sysfs import Places

_ESCAPED = re.compile(r"\\([0-7]{3})")
_FIELDS_BEFORE_MARK, _FIELDS_BEHIND_MARK = 6, 3

_DM_SORTS = {"LVM-": "logical volume", "CRYPT-": "encryption", "mpath-": "several paths"}
"""What a device-mapper device is, by the prefix of its UUID: common practice of its makers."""


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of mountinfo; `number` is major:minor of what is mounted."""

    number: str
    point: str
    options: tuple[str, ...]
    kind: str
    source: str
    super_options: tuple[str, ...]


@dataclass(slots=True)
class Beneath:
    """What lies under a mount: whole drives and the partitions of them that are used.

    `between`: devices that are made of others; `files`: image files that devices or mounts are made
    of; `untold`: why the drives are not known, or not all.
    """

    layers: list[str] = field(default_factory=list)
    partitions: set[str] = field(default_factory=set)
    drives: set[str] = field(default_factory=set)
    between: set[str] = field(default_factory=set)
    files: set[str] = field(default_factory=set)
    untold: str | None = None


def read_mounts(proc: Path) -> tuple[Mount, ...]:
    """Return what is mounted, in its order; a later mount hides an earlier one of its point.

    Raises:
        OSError: the kernel does not tell.
    """
    lines = (proc / "self/mountinfo").read_text(encoding="utf-8", errors="replace").splitlines()
    return tuple(mount for line in lines if (mount := _mount(line)) is not None)


def _mount(line: str) -> Mount | None:
    words = line.split(" ")
    mark = words.index("-") if "-" in words else len(words)
    behind = words[mark + 1 :]
    if mark < _FIELDS_BEFORE_MARK or len(behind) < _FIELDS_BEHIND_MARK:
        return None
    return Mount(
        number=words[2],
        point=_plain(words[4]),
        options=tuple(words[5].split(",")),
        kind=behind[0],
        source=_plain(behind[1]),
        super_options=tuple(_plain(word) for word in behind[2].split(",")),
    )


def _plain(text: str) -> str:
    """Return a text without the octal escapes that space, tab, newline and backslash have."""
    return _ESCAPED.sub(lambda found: chr(int(found[1], 8)), text)


def mount_at(mounts: Iterable[Mount], point: str) -> Mount | None:
    """Return what is seen at a mount point: the last thing mounted there."""
    return next((mount for mount in reversed(tuple(mounts)) if mount.point == point), None)


def mount_of(mounts: Iterable[Mount], path: str) -> Mount | None:
    """Return the mount that a path lies on: the longest point it begins with."""
    holding = [
        mount
        for mount in mounts
        if path == mount.point or path.startswith(mount.point.rstrip("/") + "/")
    ]
    best = max(holding, key=lambda mount: len(mount.point), default=None)
    return None if best is None else mount_at(holding, best.point)


def beneath(mount: Mount, mounts: tuple[Mount, ...], places: Places) -> Beneath:
    """Return which drives lie under a mount, and by which layers."""
    found = Beneath()
    _under_mount(mount, mounts, places, found, depth=0)
    if not found.drives and found.untold is None:
        found.untold = say("no drive is shown under its {kind}", kind=mount.kind)
    return found


def beneath_device(number: str, places: Places) -> Beneath:
    """Return what a block device is made of, down to whole drives and image files.

    `number`: its major:minor. What an image file lies on is left out: it is read through the file.
    """
    found = Beneath()
    _under_device(places.sys / "dev/block" / number, (), places, found, depth=0)
    return found


_DEEPEST = 16
"""Layers upon layers: nobody builds as many, and a loop of them has to end."""


def _under_mount(
    mount: Mount, mounts: tuple[Mount, ...], places: Places, found: Beneath, depth: int
) -> None:
    found.layers.append(mount.kind)
    if depth > _DEEPEST:
        found.untold = say("its layers do not end")
    elif mount.kind == "overlay":
        _under_overlay(mount, mounts, places, found, depth)
    elif mount.kind == "btrfs":
        _under_btrfs(mount, mounts, places, found, depth)
    elif (places.sys / "dev/block" / mount.number).exists():
        _under_device(places.sys / "dev/block" / mount.number, mounts, places, found, depth)
    elif mount.kind == "zfs":
        found.untold = say("it is ZFS, which does not tell its drives there")
    elif (device := _named_device(mount.source, places)) is not None:
        _under_device(device, mounts, places, found, depth)  # such as FUSE, with no number of it
    elif mount.source.startswith("/") and Path(mount.source).is_file():
        _under_file(mount.source, mounts, places, found, depth)
    else:
        found.untold = say(
            "it is {kind} of {source}, on no block device that is shown",
            kind=mount.kind,
            source=mount.source,
        )


def _named_device(path: str, places: Places) -> Path | None:
    """Return the folder in sysfs of the block device that a path names, if it names one."""
    if not path.startswith("/dev/"):
        return None
    folder = places.sys / "class/block" / _device_name(places, Path(path).name)
    return folder if folder.exists() else None


def _under_file(
    file: str, mounts: tuple[Mount, ...], places: Places, found: Beneath, depth: int
) -> None:
    """Follow an image file to what it lies on; a loop device may be of a device, too."""
    if (device := _named_device(file, places)) is not None:
        _under_device(device, mounts, places, found, depth + 1)
        return
    found.layers.append(say("image file {file}", file=file))
    found.files.add(file)
    under = mount_of(mounts, file)
    if under is None:
        found.untold = say("what the image file {file} lies on is not shown", file=file)
    else:
        _under_mount(under, mounts, places, found, depth + 1)


def _under_overlay(
    mount: Mount, mounts: tuple[Mount, ...], places: Places, found: Beneath, depth: int
) -> None:
    """Follow an overlay's folders, where they are to be seen from here."""
    told = dict(word.partition("=")[::2] for word in mount.super_options)
    folders = [*told.get("lowerdir", "").split(":"), told.get("upperdir", "")]
    for folder in filter(None, folders):
        under = mount_of([other for other in mounts if other is not mount], folder)
        if under is None or under.point == mount.point:
            # NOTE: in a container these folders are another's: nothing of that path is here.
            found.untold = say(
                "it is an overlay whose folders are not to be seen from here: a container, or a"
                " system started from a medium"
            )
        elif under.kind != "tmpfs":
            _under_mount(under, mounts, places, found, depth + 1)


def _under_btrfs(
    mount: Mount, mounts: tuple[Mount, ...], places: Places, found: Beneath, depth: int
) -> None:
    """Follow btrfs by its list of devices: its mounts have a number of no device."""
    name = Path(mount.source).name
    for folder in sorted((places.sys / "fs/btrfs").glob("*/devices")):
        names = sorted(item.name for item in folder.iterdir())
        real = _device_name(places, name)
        if real in names:
            for device in names:
                _under_device(places.sys / "class/block" / device, mounts, places, found, depth)
            return
    found.untold = say("btrfs does not tell the drives of {source}", source=mount.source)


def _device_name(places: Places, name: str) -> str:
    """Return the kernel's name of a device; names under /dev/mapper are links to it."""
    for folder in (places.sys / "class/block").glob("dm-*"):
        if text_in(folder / "dm/name") == name:
            return folder.name
    return name


def _under_device(
    folder: Path, mounts: tuple[Mount, ...], places: Places, found: Beneath, depth: int
) -> None:
    """Follow a block device down to whole drives; `folder`: its own in sysfs."""
    real = folder.resolve()
    whole = real.parent if (real / "partition").exists() else real
    below = sorted((real / "slaves").glob("*"))
    file = text_in(whole / "loop/backing_file")
    if depth > _DEEPEST:
        found.untold = say("its layers do not end")
    elif not real.is_dir():
        found.untold = say("the device {name} is not shown", name=folder.name)
    elif below:
        found.layers.append(_layer(real))
        found.between.add(real.name)
        for device in below:
            _under_device(device, mounts, places, found, depth + 1)
    elif file is not None:
        found.between.add(whole.name)
        _under_file(file, mounts, places, found, depth)
    else:
        found.drives.add(whole.name)
        if whole is not real:
            found.partitions.add(real.name)


def _layer(real: Path) -> str:
    """Return what a device above others is, in words."""
    if (name := text_in(real / "dm/name")) is not None:
        uuid = text_in(real / "dm/uuid") or ""
        sort = next((words for mark, words in _DM_SORTS.items() if uuid.startswith(mark)), "dm")
        return f"{sort} {name}"
    if (level := text_in(real / "md/level")) is not None:
        return f"md {level} {real.name}"
    return real.name
