"""Which drives lie under a mount: through every layer that tells; a plain word where none does."""

from __future__ import annotations

import json
import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.machine.tree import VIRTUAL, Tree
from verify.platforms.linux.mounts import beneath, mount_at, mount_of, read_mounts
from verify.platforms.linux.sysfs import Places

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verify.platforms.linux.mounts import Beneath

ROOT = "/ / rw,relatime shared:1 -"


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """Two drives of two partitions each."""
    made = Tree(tmp_path)
    for name, number in (("sda", "8:0"), ("sdb", "8:16")):
        made.drive(name, number, partitions=(1, 2))
    return made


def under_root(tree: Tree) -> Beneath:
    """Return what lies under `/`."""
    mounts = read_mounts(tree.places.proc)
    root = mount_at(mounts, "/")
    assert root is not None
    return beneath(root, mounts, tree.places)


def test_mounts_when_read_then_escapes_are_undone_and_the_last_one_at_a_point_is_seen(
    tree: Tree,
) -> None:
    r"""proc_pid_mountinfo(5): space is \040; a later mount covers an earlier one."""
    tree.mounts(
        "0:2 / / rw - rootfs rootfs rw",
        f"8:2 {ROOT} ext4 /dev/root rw,discard",
        "8:17 / /mnt/two\\040words ro,nosuid - vfat /dev/sdb1 rw",
        "no mount at all",
    )
    mounts = read_mounts(tree.places.proc)
    assert [mount.point for mount in mounts] == ["/", "/", "/mnt/two words"]
    root = mount_at(mounts, "/")
    assert root is not None
    assert (root.number, root.kind, root.super_options) == ("8:2", "ext4", ("rw", "discard"))
    held = mount_of(mounts, "/mnt/two words/a")
    assert held is not None
    assert held.number == "8:17"
    assert mount_of(mounts, "/mnt/two wordsmith") == root


def test_beneath_when_it_is_a_partition_then_its_drive_is_told(tree: Tree) -> None:
    """The plain case, by number alone: /dev/root is a name of no device."""
    tree.mounts(f"8:2 {ROOT} ext4 /dev/root rw")
    found = under_root(tree)
    assert (found.drives, found.partitions, found.untold) == ({"sda"}, {"sda2"}, None)


def test_beneath_when_there_are_layers_then_all_are_gone_through(tree: Tree) -> None:
    """A logical volume on an encrypted partition, as installers make them."""
    tree.layer("dm-0", "254:0", ["sda2"], dm__name="luks", dm__uuid="CRYPT-LUKS2-0badcafe-luks")
    tree.layer("dm-1", "254:1", ["dm-0"], dm__name="shop-root", dm__uuid="LVM-0badcafe")
    tree.mounts(f"254:1 {ROOT} xfs /dev/mapper/shop-root rw")
    found = under_root(tree)
    assert (found.drives, found.partitions) == ({"sda"}, {"sda2"})
    assert found.layers == ["xfs", "logical volume shop-root", "encryption luks"]
    assert found.between == {"dm-0", "dm-1"}


def test_beneath_when_it_is_a_set_then_all_its_drives_are_told(tree: Tree) -> None:
    """A mirror of two partitions."""
    tree.layer("md0", "9:0", ["sda2", "sdb2"], md__level="raid1")
    tree.mounts(f"9:0 {ROOT} ext4 /dev/md0 rw")
    found = under_root(tree)
    assert (found.drives, found.layers) == ({"sda", "sdb"}, ["ext4", "md raid1 md0"])


def test_beneath_when_it_is_btrfs_then_its_devices_are_asked_for(tree: Tree) -> None:
    """A btrfs mount has a number of no device; also by the name of a mapper."""
    tree.layer("dm-0", "254:0", ["sda2"], dm__name="luks", dm__uuid="CRYPT-LUKS2-0badcafe-luks")
    devices = tree.root / "sys/fs/btrfs/0badcafe/devices"
    devices.mkdir(parents=True)
    for name in ("dm-0", "sdb1"):
        (devices / name).symlink_to(tree.root / "sys/class/block" / name)
    tree.mounts("0:30 /@ / rw,relatime - btrfs /dev/mapper/luks rw,discard=async,subvol=/@")
    assert under_root(tree).drives == {"sda", "sdb"}
    tree.mounts("0:30 / / rw - btrfs /dev/sdz9 rw")
    found = under_root(tree)
    assert not found.drives
    assert "btrfs" in str(found.untold)


def test_beneath_when_it_is_an_image_file_then_the_drive_that_holds_it_is_told(tree: Tree) -> None:
    """A loop device's own partition as well."""
    folder = tree.device(VIRTUAL, "loop0", "7:0", 1 << 20)
    tree.write(f"{folder}/loop/backing_file", "/srv/host/root.img\n")
    tree.mounts(f"7:0 {ROOT} ext4 /dev/loop0 rw", "8:18 / /srv/host rw - ntfs3 /dev/sdb2 rw")
    found = under_root(tree)
    assert (found.drives, found.between) == ({"sdb"}, {"loop0"})
    assert "image file /srv/host/root.img" in found.layers


def test_beneath_when_an_overlay_shows_its_folders_then_their_drives_are_told(tree: Tree) -> None:
    """A root that is kept read-only under a layer in memory."""
    tree.mounts(
        "0:40 / / rw - overlay overlay rw,lowerdir=/media/root-ro,upperdir=/media/root-rw/over",
        "8:2 / /media/root-ro ro - ext4 /dev/sda2 ro",
        "0:41 / /media/root-rw rw - tmpfs tmpfs rw",
    )
    found = under_root(tree)
    assert (found.drives, found.untold) == ({"sda"}, None)


def test_beneath_when_an_overlay_shows_only_some_of_its_folders_then_it_is_not_told(
    tree: Tree,
) -> None:
    """One that is not to be seen could lie on any drive, or be another system's altogether."""
    tree.mounts(
        "0:40 / / rw - overlay overlay rw,lowerdir=/media/root-ro:/not/here,upperdir=/media/x",
        "8:2 / /media rw - ext4 /dev/sda2 rw",
    )
    assert "not to be seen" in str(under_root(tree).untold)


def test_beneath_when_an_overlay_lies_in_memory_alone_then_there_is_no_drive(tree: Tree) -> None:
    """A system that was started from the network, or from a medium that is away."""
    tree.mounts(
        "0:40 / / rw - overlay overlay rw,lowerdir=/media/ro,upperdir=/media/rw",
        "0:41 / /media rw - tmpfs tmpfs rw",
    )
    found = under_root(tree)
    assert not found.drives
    assert "no drive" in str(found.untold)


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("0:40 / / rw - overlay overlay rw,lowerdir=/var/lib/c/1:/var/lib/c/2", "container"),
        ("0:41 / / rw - zfs rpool/ROOT rw", "ZFS"),
        ("0:42 / / rw - nfs4 server:/root rw", "nfs4"),
        ("0:43 / / rw - tmpfs tmpfs rw", "tmpfs"),
        (f"259:9 {ROOT} ext4 /dev/root rw", "no block device"),
    ],
    ids=["container", "zfs", "network", "memory", "device-not-shown"],
)
def test_beneath_when_the_system_does_not_tell_then_it_says_why(
    tree: Tree, line: str, word: str
) -> None:
    """No drive is guessed."""
    tree.mounts(line)
    found = under_root(tree)
    assert not found.drives
    assert word in str(found.untold)


def test_beneath_when_layers_stand_on_each_other_then_it_ends(tree: Tree) -> None:
    """No kernel shows this; a tree could."""
    tree.layer("dm-0", "254:0", [])
    (tree.root / "sys" / VIRTUAL / "dm-0/slaves/dm-0").symlink_to(
        tree.root / "sys" / VIRTUAL / "dm-0"
    )
    tree.mounts(f"254:0 {ROOT} ext4 /dev/dm-0 rw")
    assert "do not end" in str(under_root(tree).untold)


def parents(device: str) -> set[str]:
    """Return the whole drives of a device by util-linux' lsblk."""
    told = subprocess.run(
        ["lsblk", "--json", "--inverse", "-o", "NAME,TYPE", device],
        check=True,
        capture_output=True,
        text=True,
    )

    def ends(rows: list[dict[str, object]]) -> Iterator[str]:
        for row in rows:
            below = row.get("children")
            if isinstance(below, list):
                yield from ends(below)
            else:
                yield str(row["name"])

    return set(ends(json.loads(told.stdout)["blockdevices"]))


@pytest.mark.tools("findmnt", "lsblk")
def test_beneath_when_asked_of_this_machine_then_it_is_what_another_program_tells() -> None:
    """util-linux' findmnt and lsblk; where the system lies on no device, that is said."""
    mounts = read_mounts(Places().proc)
    root = mount_at(mounts, "/")
    assert root is not None
    found = beneath(root, mounts, Places())
    source = (
        subprocess.run(
            ["findmnt", "-no", "SOURCE", "/"], check=True, capture_output=True, text=True
        )
        .stdout.split("[")[0]
        .strip()
    )
    if source.startswith("/dev/") and (Places().sys / "dev/block" / root.number).exists():
        assert found.drives == parents(source)
    else:
        assert found.untold or found.drives


@pytest.mark.root
@pytest.mark.tools("mkfs.btrfs", "mount", "umount", "findmnt")
def test_beneath_when_btrfs_is_mounted_here_then_its_loop_device_and_what_holds_it_are_told(
    tmp_path: Path,
) -> None:
    """A real btrfs in a real loop device; the drive is that of the image's own mount."""
    image, place = tmp_path / "b.img", tmp_path / "b"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(128 << 20)
    subprocess.run(["mkfs.btrfs", "-q", str(image)], check=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)
    try:
        mounts = read_mounts(Places().proc)
        mount = mount_at(mounts, str(place))
        holder = mount_of(mounts, os.path.realpath(image))
        assert mount is not None
        assert holder is not None
        found = beneath(mount, mounts, Places())
        source = subprocess.run(
            ["findmnt", "-no", "SOURCE", str(place)], check=True, capture_output=True, text=True
        ).stdout.strip()
        assert found.between >= {source.removeprefix("/dev/")}
        assert found.drives == beneath(holder, mounts, Places()).drives
        assert found.layers[0] == "btrfs"
    finally:
        subprocess.run(["umount", str(place)], check=True)
