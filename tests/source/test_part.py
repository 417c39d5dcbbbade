"""What a device is a part of, by trees of sysfs in the shapes that the kernel's pages describe."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.machine.tree import Tree
from verify.platforms.linux.drive_identity import attached_identity
from verify.platforms.linux.part import part_of

if TYPE_CHECKING:
    from pathlib import Path

DRIVE_BYTES = 1 << 20


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """Two drives; the first has partitions 1 to 3, the third of which begins at sector 1,024."""
    tree = Tree(tmp_path)
    folder = tree.drive("sda", "8:0", serial="QA-1", partitions=(1, 2, 3))
    tree.write(f"{folder}/sda3/start", "1024\n")
    tree.drive("sdb", "8:16", serial="QA-2")
    return tree


def block(tree: Tree, name: str) -> Path:
    """Return a device's folder."""
    return tree.root / "sys/class/block" / name


def test_part_of_when_it_is_a_partition_then_its_drive_and_place_are_told(tree: Tree) -> None:
    """stable/sysfs-block: `partition` is its number, `start` counts 512 bytes."""
    part = part_of(block(tree, "sda3"))
    assert part is not None
    assert (part.path, part.by, part.number) == ("/dev/sda", "partition", 3)
    assert part.start_bytes == 1024 * 512
    assert part_of(block(tree, "sda")) is None


def test_identity_when_it_is_a_partition_then_no_name_of_the_drive_is_its_own(tree: Tree) -> None:
    """Model and serial are reported as the drive's; a verdict cannot carry them."""
    whole, part = (attached_identity(block(tree, name)) for name in ("sda", "sda3"))
    assert (whole.serial, whole.part_of) == ("QA-1", None)
    assert (part.model, part.serial, part.serial_source, part.wwn) == (None,) * 4
    assert part.part_of is not None
    assert (part.part_of.model, part.part_of.serial) == ("Quire 9", "QA-1")


@pytest.mark.parametrize(
    ("name", "uuid", "below", "told"),
    [
        ("vault", "CRYPT-LUKS2-0001-vault", ("sda3",), "/dev/sda"),
        ("vault", "CRYPT-LUKS2-0001-vault", ("sdb",), "/dev/sdb"),
        ("shelf-home", "LVM-aaaabbbb", ("sda2",), "/dev/sda"),
        ("shelf-home", "LVM-aaaabbbb", ("sda2", "sdb"), "/dev/sda and /dev/sdb"),
        ("mpatha-part3", "part3-mpath-3600", ("dm-9",), "/dev/mapper/mpatha"),
        ("plain", "", ("sda3",), "/dev/sda"),
    ],
)
def test_part_of_when_a_mapping_covers_one_partition_or_volume_then_the_drive_is_named(
    tree: Tree, name: str, uuid: str, below: tuple[str, ...], told: str
) -> None:
    """An unlocked volume, a logical volume, a partition of a multipath drive, a plain mapping."""
    if "dm-9" in below:
        tree.layer("dm-9", "253:9", ("sdb",), dm__name="mpatha", dm__uuid="mpath-3600")
    tree.layer("dm-0", "253:0", below, dm__name=name, dm__uuid=uuid)
    part = part_of(block(tree, "dm-0"))
    assert part is not None
    assert (part.path, part.by) == (told, "mapping")


def test_part_of_when_layers_lie_on_each_other_then_the_drive_at_the_bottom_is_named(
    tree: Tree,
) -> None:
    """A logical volume in an unlocked partition."""
    tree.layer("dm-0", "253:0", ("sda3",), dm__name="vault", dm__uuid="CRYPT-LUKS2-0001-vault")
    tree.layer("dm-1", "253:1", ("dm-0",), dm__name="shelf-root", dm__uuid="LVM-aaaa")
    part = part_of(block(tree, "dm-1"))
    assert part is not None
    assert part.path == "/dev/sda"


@pytest.mark.parametrize(("size", "whole"), [(DRIVE_BYTES, True), (DRIVE_BYTES - 512, False)])
def test_part_of_when_a_plain_mapping_is_as_large_as_its_drive_then_it_is_the_drive(
    tree: Tree, size: int, *, whole: bool
) -> None:
    """A linear mapping of all of a drive hides nothing of it; one that is shorter does."""
    folder = tree.layer("dm-0", "253:0", ("sdb",), dm__name="all", dm__uuid="")
    tree.write(f"{folder}/size", f"{size // 512}\n")
    assert (part_of(block(tree, "dm-0")) is None) is whole


@pytest.mark.parametrize("uuid", ["mpath-3600", "DMRAID-isw_aaaa"])
def test_part_of_when_a_mapping_stands_for_whole_drives_then_it_is_none(
    tree: Tree, uuid: str
) -> None:
    """Several ways to one drive, and a controller's set, whatever their size."""
    for below in (("sda", "sdb"), ("sdb",)):
        number = len(below)
        folder = tree.layer(f"dm-{number}", f"253:{number}", below, dm__name="w", dm__uuid=uuid)
        tree.write(f"{folder}/size", "8\n")
        assert part_of(block(tree, f"dm-{number}")) is None


def test_part_of_when_a_set_is_made_of_partitions_then_their_drives_are_named(tree: Tree) -> None:
    """md: of whole drives it is a drive, of partitions it is not."""
    tree.layer("md0", "9:0", ("sda1", "sdb"), md__level="raid1")
    tree.layer("md1", "9:1", ("sda", "sdb"), md__level="raid1")
    part = part_of(block(tree, "md0"))
    assert part is not None
    assert part.path == "/dev/sda and /dev/sdb"
    assert part_of(block(tree, "md1")) is None


@pytest.mark.parametrize(
    ("offset", "limit", "whole"),
    [(0, 0, True), (0, 4096, True), (1024, 0, False), (0, 1024, False)],
)
def test_part_of_when_a_loop_device_shows_a_piece_then_the_image_is_named(
    tree: Tree, tmp_path: Path, offset: int, limit: int, *, whole: bool
) -> None:
    """drivers/block/loop.c: an offset, or a limit below the size of the file."""
    image = tmp_path / "drive.img"
    image.write_bytes(bytes(4096))
    folder = tree.device("devices/virtual/block", "loop7", "7:7", 4096 - offset)
    for name, text in (("backing_file", image), ("offset", offset), ("sizelimit", limit)):
        tree.write(f"{folder}/loop/{name}", f"{text}\n")
    part = part_of(block(tree, "loop7"))
    assert (part is None) is whole
    assert part is None or (part.path, part.start_bytes) == (str(image), offset)
