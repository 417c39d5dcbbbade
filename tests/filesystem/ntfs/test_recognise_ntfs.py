"""NTFS volumes made by mkntfs against ntfsinfo, blkid and the format's arithmetic."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.filesystem.made import blkid, described, make, number, patch, run
from tests.support.drives import MemoryDrive, whole
from verify.filesystem.recognise import recognise

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 512


def volume(folder: Path, *options: str, size: str = "16M") -> Path:
    """A fresh volume."""
    return make(folder, size, "mkntfs", "-F", "-Q", *options)


@pytest.mark.tools("mkntfs", "ntfsinfo", "blkid")
@pytest.mark.parametrize("options", [(), ("-c", "512"), ("-c", "65536"), ("-s", "4096")])
def test_description_when_freshly_made_then_agrees_with_ntfsinfo_and_blkid(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    """Sizes, free space, version and serial are what two readers say, the label what was set."""
    image = volume(tmp_path, "-L", "Büro ☃", *options)

    found = described(image)

    told, seen = run("ntfsinfo", "-m", "-f", image), blkid(image)
    assert (found.kind, found.version, found.clean) == ("ntfs", "3.1", True)
    assert found.id == seen["UUID"]
    assert found.label == "Büro ☃"
    assert found.sector_bytes == int(seen["BLOCK_SIZE"])
    assert found.cluster_bytes == number(r"Cluster Size: (\d+)", told)
    free = number(r"Free Clusters: (\d+)", told)
    assert found.free_bytes == free * found.cluster_bytes
    clusters = number(r"Volume Size in Clusters: (\d+)", told)
    assert found.used_bytes == (clusters - free) * found.cluster_bytes
    assert found.backup is not None
    assert found.backup.state == "same"
    assert found.unread == ()


@pytest.mark.tools("mkntfs")
def test_size_when_freshly_made_then_leaves_one_sector_for_the_backup(tmp_path: Path) -> None:
    """The boot sector counts 32,767 of 32,768 sectors: the last holds its copy (libfsntfs)."""
    found = described(volume(tmp_path))

    assert found.size_bytes == 32767 * SECTOR
    assert found.backup is not None
    assert found.backup.offset == 32767 * SECTOR


@pytest.mark.tools("mkntfs", "ntfsresize", "ntfsinfo")
def test_state_when_just_shrunk_then_dirty_and_resized(tmp_path: Path) -> None:
    """A shrink marks the volume for a check and empties its log; ntfsinfo shows the mark."""
    image = volume(tmp_path, size="64M")
    run("ntfsresize", "-f", "-f", "-s", "40M", image, answer="y\n")

    found = described(image)

    assert "DIRTY" in run("ntfsinfo", "-m", "-f", image)
    assert found.clean is False
    assert found.resized
    assert "dirty" in found.state
    assert found.size_bytes is not None
    assert found.size_bytes < 40_000_000


@pytest.mark.tools("mkntfs")
@pytest.mark.parametrize(
    ("offset", "data", "state"),
    [(28, b"\x00\x08\x00\x00", "moved_only"), (72, b"\x01\x02\x03\x04", "differs")],
)
def test_backup_when_altered_then_says_how(
    tmp_path: Path, offset: int, data: bytes, state: str
) -> None:
    """Bytes 28 to 31 are the hidden sectors, 72 on the serial number (libfsntfs)."""
    image = volume(tmp_path)
    patch(image, 32767 * SECTOR + offset, data)

    backup = described(image).backup

    assert backup is not None
    assert backup.state == state


@pytest.mark.tools("mkntfs")
def test_backup_when_wiped_then_missing(tmp_path: Path) -> None:
    """Zeros where the copy should be are no copy."""
    image = volume(tmp_path)
    patch(image, 32767 * SECTOR, bytes(SECTOR))

    backup = described(image).backup

    assert backup is not None
    assert backup.state == "missing"


@pytest.mark.tools("mkntfs")
def test_backup_when_its_sector_is_bad_then_unread(tmp_path: Path) -> None:
    """A sector that the drive does not give back proves neither presence nor absence."""
    data = volume(tmp_path).read_bytes()
    drive = MemoryDrive(data, bad=((32767 * SECTOR, 32768 * SECTOR),))

    backup = recognise(whole(drive)).backup

    assert backup is not None
    assert backup.state == "unread"


@pytest.mark.tools("mkntfs")
def test_digest_when_only_hidden_sectors_differ_then_same(tmp_path: Path) -> None:
    """A clone to another place changes the hidden sectors, and nothing else counts as equal."""
    image = volume(tmp_path)
    before = described(image)
    patch(image, 28, b"\x00\x08\x00\x00")
    moved = described(image)
    patch(image, 72, b"\x01")
    other = described(image)

    assert moved.hidden_sectors == 2048
    assert moved.boot_sector_digest == before.boot_sector_digest
    assert other.boot_sector_digest != before.boot_sector_digest


@pytest.mark.tools("mkntfs")
def test_records_when_torn_then_come_from_the_mirror_and_say_so(tmp_path: Path) -> None:
    """Record 3 ($Volume) is mirrored: a torn write in the first copy loses nothing."""
    image = volume(tmp_path, "-L", "Work")
    before = described(image)
    mft = int.from_bytes(image.read_bytes()[48:56], "little") * 4096
    patch(image, mft + 3 * 1024 + 510, b"\xde\xad")

    found = described(image)

    assert (found.label, found.clean) == (before.label, before.clean) == ("Work", True)
    assert [item.what for item in found.unread] == ["file record 3 (read from $MFTMirr)"]


@pytest.mark.tools("mkntfs")
def test_free_space_when_bitmap_is_torn_away_then_none_and_said(tmp_path: Path) -> None:
    """$Bitmap is record 6, which has no mirror: no figure is better than a guess."""
    image = volume(tmp_path)
    mft = int.from_bytes(image.read_bytes()[48:56], "little") * 4096
    patch(image, mft + 6 * 1024, b"BAAD")

    found = described(image)

    assert found.free_bytes is None
    assert [item.what for item in found.unread] == ["$Bitmap run list"]


@pytest.mark.tools("mkntfs")
def test_kind_when_the_volume_outgrows_its_window_then_still_ntfs(tmp_path: Path) -> None:
    """Half a volume is described as far as it is there; its stored size is kept."""
    image = volume(tmp_path)
    run("truncate", "-s", "8M", image)

    found = described(image)

    assert found.kind == "ntfs"
    assert found.size_bytes == 32767 * SECTOR
    assert found.backup is not None
    assert found.backup.state == "missing"
