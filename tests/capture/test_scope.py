"""One partition is no drive: refused, or examined as what it is; what says nothing is confirmed."""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support import images
from tests.support.faults import write_bytes
from tests.support.images import MIB
from tests.table.layouts import Entry
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.errors import OnePartition, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.cli.command import Command
    from verify.manifest.header import GivenAs, Header

START = 2048
DISK_GUID = "0AC0FFEE-0000-4000-8000-0000000000D1"
VOLUME_GUID = "0AC0FFEE-0000-4000-8000-0000000000D2"
FILES = {"orders.txt": b"Eighteen volumes, half linen.\n"}


def ntfs(image: Path, hidden: int = START) -> Path:
    """Make a volume by mkntfs; `-p` is its start (mkntfs(8))."""
    return images.make_ntfs(image, 4 * MIB, FILES, hidden=hidden)


def fat(image: Path, hidden: int = START) -> Path:
    """Make a volume by mkfs.vfat; `-h` is its start (mkfs.fat(8))."""
    return images.make_fat(image, 8 * MIB, FILES, hidden=hidden)


def exfat(image: Path, hidden: int = START) -> Path:
    """Make a volume by mkfs.exfat, and set PartitionOffset (exFAT 1.00, section 3.1.4)."""
    with image.open("wb") as file:
        file.truncate(8 * MIB)
    images.run("mkfs.exfat", image)
    write_bytes(image, 64, hidden.to_bytes(8, "little"))
    return image


def bitlocker(image: Path, hidden: int = START) -> Path:
    """Write the boot sector of an encrypted volume: its sign in the place of NTFS's (libbde)."""
    ntfs(image, hidden)
    write_bytes(image, 3, b"-FVE-FS-")
    return image


def padded(image: Path) -> Path:
    """Lengthen a partition's image by zeros, as an image tool does."""
    ntfs(image)
    os.truncate(image, 6 * MIB)
    return image


def logical(image: Path) -> Path:
    """Make a logical partition's: its boot sector counts from its own record (63 sectors)."""
    return ntfs(image, 63)


PARTITIONS: dict[str, Callable[[Path], Path]] = {
    "ntfs": ntfs,
    "fat": fat,
    "exfat": exfat,
    "bitlocker": bitlocker,
    "padded": padded,
    "logical": logical,
}

tools = pytest.mark.tools("mkntfs", "ntfscp", "mkfs.vfat", "mcopy", "mkfs.exfat", "mkfs.ext4")


def read(image: Path, given_as: GivenAs | None = None) -> Header:
    """Capture an image."""
    options = CaptureOptions(depth="layout", given_as=given_as, replace=True)
    return capture(str(image), image.with_suffix(".manifest"), options)


@tools
@pytest.mark.parametrize("kind", PARTITIONS)
def test_capture_when_a_boot_sector_records_a_start_then_it_is_refused(
    kind: str, tmp_path: Path
) -> None:
    """It is one partition of some drive; said to be a drive it is refused all the same."""
    image = PARTITIONS[kind](tmp_path / "partition.img")
    with pytest.raises(OnePartition, match="one partition, not a whole drive"):
        read(image)
    with pytest.raises(OnePartition):
        read(image, "drive")
    assert not image.with_suffix(".manifest").exists()
    header = read(image, "partition")
    assert (header.scope, header.capture.given_as) == ("partition", "partition")


@tools
@pytest.mark.parametrize("make", [ntfs, fat, exfat])
def test_capture_when_a_stick_has_no_table_then_it_is_read_and_can_be_confirmed(
    make: Callable[..., Path], tmp_path: Path
) -> None:
    """A volume over the whole of a stick begins at sector 0, and says so by 0 hidden sectors."""
    image = make(tmp_path / "stick.img", 0)
    assert read(image).scope == "unconfirmed"
    assert read(image, "drive").scope == "drive"
    assert read(image, "partition").scope == "partition"


@tools
def test_capture_when_a_filesystem_keeps_no_start_then_it_is_read_and_can_be_confirmed(
    tmp_path: Path,
) -> None:
    """The superblock of ext4 has no such field (Linux, Documentation/filesystems/ext4)."""
    image = images.make_ext4(tmp_path / "root.img", 8 * MIB, FILES)
    assert read(image).scope == "unconfirmed"
    assert read(image, "drive").scope == "drive"


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    """A drive with one NTFS partition."""
    sectors = 4 * MIB // 512
    entry = Entry(START, START + sectors - 1, images.BASIC_TYPE, VOLUME_GUID, "", 0)
    table = images.GptTable(8 * MIB // 512, DISK_GUID, {1: entry})
    return images.make_gpt_drive(tmp_path / "drive.img", table, {1: ntfs(tmp_path / "volume.img")})


@tools
def test_capture_when_a_whole_drive_is_called_a_partition_then_that_is_refused(
    drive: Path,
) -> None:
    """A drive with a table is one, whatever was typed."""
    assert read(drive).scope == "drive"
    with pytest.raises(UsageError, match="whole drive"):
        read(drive, "partition")


@tools
@pytest.mark.parametrize("place", ["source", "target", "capture", "identify", "fit", "onto"])
def test_command_when_one_partition_is_given_then_one_sentence_and_exit_2(
    place: str, drive: Path, command: Command, tmp_path: Path
) -> None:
    """Every command that takes a drive and says something of it."""
    image = ntfs(tmp_path / "partition.img")
    (tmp_path / "archive").mkdir()
    arguments: tuple[object, ...] = {
        "source": ("check", image, drive),
        "target": ("check", drive, image),
        "capture": ("capture", image, "-o", tmp_path / "made.manifest"),
        "identify": ("identify", image, "--archive", _archive(command, drive, tmp_path)),
        "fit": ("fit", image, "--onto", "500 GB"),
        "onto": ("fit", drive, "--onto", image),
    }[place]
    command(*arguments).assert_one_sentence(2, str(image), "one partition")
    assert not (tmp_path / "made.manifest").exists()


@tools
@pytest.mark.parametrize("place", ["identify", "fit", "onto", "running"])
def test_command_when_a_manifest_is_of_one_partition_then_one_sentence_and_exit_2(
    place: str, drive: Path, command: Command, tmp_path: Path
) -> None:
    """What was captured on purpose is no drive later on."""
    image, made = ntfs(tmp_path / "partition.img"), tmp_path / "made.manifest"
    assert command("capture", image, "-o", made, "--one-partition").code == 0
    arguments: tuple[object, ...] = {
        "identify": ("identify", made, "--archive", _archive(command, drive, tmp_path)),
        "fit": ("fit", made, "--onto", "500 GB"),
        "onto": ("fit", drive, "--onto", made),
        "running": ("running", "--against", made),
    }[place]
    command(*arguments).assert_one_sentence(2, str(made), "one partition")


def _archive(command: Command, drive: Path, folder: Path) -> Path:
    """File a job, so that there is an archive."""
    place = folder / "archive"
    copy = folder / "copy.img"
    copy.write_bytes(drive.read_bytes())
    ran = command("check", drive, copy, "--job", "J-1", "--archive", place, "--depth", "layout")
    assert ran.code in {0, 1}, ran.err
    return place


@tools
def test_show_when_one_partition_is_given_then_it_says_so(command: Command, tmp_path: Path) -> None:
    """What something is may be asked of anything."""
    ran = command("show", ntfs(tmp_path / "partition.img"))
    assert ran.code == 0
    assert "one partition only" in ran.out


@pytest.mark.parametrize(
    ("options", "words"),
    [(("--one-partition", "--whole-drive"), "exclude"), (("--one-partition",), "only manifests")],
)
@tools
def test_compare_when_the_options_say_nothing_then_that_is_wrong_usage(
    options: tuple[str, ...], words: str, drive: Path, command: Command, tmp_path: Path
) -> None:
    """Both at once, or of manifests alone."""
    made = tmp_path / "made.manifest"
    assert command("capture", drive, "-o", made, "--depth", "layout").code == 0
    command("compare", made, made, *options).assert_one_sentence(2, words)


@pytest.mark.root
@pytest.mark.tools("losetup", "mkntfs", "ntfscp")
def test_check_when_a_loop_device_shows_one_partition_of_an_image_then_the_image_is_named(
    drive: Path, command: Command, tmp_path: Path
) -> None:
    """By its own name and by a link to it; the whole image as a loop device is a drive."""
    start = ["losetup", "--read-only", "--find", "--show"]
    part, whole = (
        subprocess.run(
            [*start, *more, str(drive)], check=True, capture_output=True, text=True
        ).stdout.strip()
        for more in (["--offset", str(START * 512)], [])
    )
    link = tmp_path / "by-id"
    link.symlink_to(part)
    try:
        for path in (part, link):
            ran = command("check", drive, path, "--depth", "layout")
            ran.assert_one_sentence(2, str(path), f"part of {drive}", f"Name {drive}")
        assert command("capture", whole, "-o", tmp_path / "w", "--depth", "layout").code == 0
    finally:
        subprocess.run(["losetup", "--detach", part], check=True)
        subprocess.run(["losetup", "--detach", whole], check=True)
