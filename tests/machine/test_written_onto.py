"""Whether a place lies on a drive that is read: through the layers of an invented machine.

The trees are written after the kernel's own pages (see `tree`); the drives in them are device
nodes that nobody opens.
"""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

import pytest

from tests.machine.tree import Tree
from verify.platforms.linux.written_onto import written_onto

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.root


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """Three drives of two partitions each, with their nodes."""
    made = Tree(tmp_path / "machine")
    (tmp_path / "machine" / "dev").mkdir(parents=True)
    for name, minor in (("sda", 0), ("sdb", 16), ("sdc", 32)):
        made.drive(name, f"8:{minor}", partitions=(1, 2))
        for part in (0, 1, 2):
            node = made.root / "dev" / f"{name}{part or ''}"
            os.mknod(node, stat.S_IFBLK | 0o600, os.makedev(8, minor + part))
    return made


def on(tree: Tree, place: Path, *reads: str) -> list[str]:
    """Return on which of the devices, each read by itself, a place lies."""
    place.mkdir(exist_ok=True, parents=True)
    named = {name: str(tree.root / "dev" / name) for name in reads}
    return [
        name for name, path in named.items() if written_onto(place / "new", [path], tree.places)
    ]


ALL = ("sda", "sda1", "sda2", "sdb", "sdb2", "sdc")


def test_place_when_it_is_on_a_partition_then_any_part_of_its_drive_is_it(
    tree: Tree, tmp_path: Path
) -> None:
    """The drive is one; which of its partitions is read makes no difference."""
    place = tmp_path / "place"
    tree.mounts("8:33 / / rw - ext4 /dev/sdc1 rw", f"8:1 / {place} rw - ext4 /dev/sda1 rw")
    assert on(tree, place, *ALL) == ["sda", "sda1", "sda2"]
    assert on(tree, tmp_path / "other", *ALL) == ["sdc"]


def test_place_when_encryption_and_a_volume_group_lie_between_then_the_drive_is_told(
    tree: Tree, tmp_path: Path
) -> None:
    """LVM on LUKS on a partition; and the volume itself read, the place on its drive."""
    place, plain = tmp_path / "place", tmp_path / "plain"
    tree.layer("dm-0", "250:0", ["sda2"], dm__name="luks", dm__uuid="CRYPT-LUKS2-0badcafe-luks")
    tree.layer("dm-1", "250:1", ["dm-0"], dm__name="shop-root", dm__uuid="LVM-0badcafe")
    tree.mounts(
        "8:33 / / rw - ext4 /dev/sdc1 rw",
        f"250:1 / {place} rw - xfs /dev/mapper/shop-root rw",
        f"8:1 / {plain} rw - ext4 /dev/sda1 rw",
    )
    os.mknod(tree.root / "dev" / "dm-0", stat.S_IFBLK | 0o600, os.makedev(250, 0))
    assert on(tree, place, *ALL, "dm-0") == ["sda", "sda1", "sda2", "dm-0"]
    assert on(tree, plain, "dm-0") == ["dm-0"]


def test_place_when_it_is_on_a_set_then_each_of_its_drives_is_told(
    tree: Tree, tmp_path: Path
) -> None:
    """Md of two drives; btrfs of two, whose mounts have a number of no device."""
    place, pool = tmp_path / "place", tmp_path / "pool"
    tree.layer("md0", "9:0", ["sda2", "sdb2"], md__level="raid1")
    for name in ("sdb1", "sdc2"):
        folder = tree.root / "sys/fs/btrfs/0badcafe/devices"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / name).symlink_to(tree.root / "sys/class/block" / name)
    tree.mounts(
        f"9:0 / {place} rw - ext4 /dev/md0 rw",
        f"0:44 /@sub {pool} rw - btrfs /dev/sdb1 rw,subvol=/@sub",
    )
    assert on(tree, place, *ALL) == ["sda", "sda1", "sda2", "sdb", "sdb2"]
    assert on(tree, pool, *ALL) == ["sdb", "sdb2", "sdc"]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("0:50 / {place} rw - fuse.ntfs /dev/sdb1 rw", ["sdb", "sdb2"]),
        ("8:17 / {place} rw - fuseblk /dev/sdb1 rw", ["sdb", "sdb2"]),
        ("0:51 / {place} rw - nfs4 shop:/sda1 rw", []),
        ("0:52 / {place} rw - tmpfs tmpfs rw", []),
        ("0:53 / {place} rw - zfs pool/sda rw", []),
        ("0:54 / {place} rw - overlay o rw,lowerdir=/low,upperdir={up},workdir=/w", ["sda"]),
    ],
)
def test_place_when_its_filesystem_has_no_device_number_then_it_goes_by_what_is_told(
    line: str, expected: list[str], tree: Tree, tmp_path: Path
) -> None:
    """FUSE names its device, an overlay its folders; a share, memory and ZFS no drive."""
    place, up = tmp_path / "place", tmp_path / "up"
    tree.mounts(
        "8:33 / / rw - tmpfs tmpfs rw",
        f"8:1 / {up} rw - ext4 /dev/sda1 rw",
        line.format(place=place, up=up),
    )
    reads = [name for name in ALL if name not in {"sda1", "sda2"}]
    assert on(tree, place, *reads) == expected


def test_place_when_it_is_on_an_image_that_lies_on_the_drive_then_it_is_told(
    tree: Tree, tmp_path: Path
) -> None:
    """Written into the image, and so onto the drive below; the image's drive is not read by it."""
    place, below, image = tmp_path / "place", tmp_path / "below", tmp_path / "below" / "old.img"
    below.mkdir()
    image.write_bytes(b"x")
    folder = tree.device("devices/virtual/block", "loop0", "7:0", 1 << 20)
    tree.write(f"{folder}/loop/backing_file", f"{image}\n")
    os.mknod(tree.root / "dev" / "loop0", stat.S_IFBLK | 0o600, os.makedev(7, 0))
    tree.mounts(f"8:1 / {below} rw - ext4 /dev/sda1 rw", f"7:0 / {place} rw - ext4 /dev/loop0 rw")
    assert on(tree, place, "loop0", *ALL) == ["loop0", "sda", "sda1", "sda2"]
    assert on(tree, below, "loop0", *ALL) == ["sda", "sda1", "sda2"]
    assert written_onto(place / "new", [str(image)], tree.places) == str(image)
    assert written_onto(below / "new", [str(image)], tree.places) is None


def test_place_when_nothing_is_told_then_nothing_is_held_against_it(
    tmp_path: Path, tree: Tree
) -> None:
    """No mounts are shown, or a drive is not there: opening it says so."""
    assert written_onto(tmp_path, [str(tree.root / "dev" / "sda")], tree.places) is None
    tree.mounts(f"8:1 / {tmp_path} rw - ext4 /dev/sda1 rw")
    reads = ["500 GB", str(tmp_path / "none"), str(tmp_path), "\0"]
    assert written_onto(tmp_path / "new", reads, tree.places) is None
