"""exFAT volumes made by mkfs.exfat against dump.exfat, blkid and Microsoft's arithmetic."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.made import blkid, described, make, number, patch, run
from verify.filesystem.checksums import exfat_boot_checksum

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 512
REGION = 12 * SECTOR


def volume(folder: Path, *options: str, size: str = "32M") -> Path:
    """A fresh volume."""
    return make(folder, size, "mkfs.exfat", *options)


def bitmap_offset(image: Path) -> int:
    """Where cluster 2 starts: mkfs.exfat puts the allocation bitmap there."""
    return int.from_bytes(image.read_bytes()[88:92], "little") * SECTOR


@pytest.mark.tools("mkfs.exfat", "dump.exfat", "blkid")
@pytest.mark.parametrize("options", [(), ("-c", "512"), ("-c", "1M")])
def test_description_when_freshly_made_then_agrees_with_dump_and_blkid(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    """Clusters, free clusters, serial and label are what two other readers say."""
    image = volume(tmp_path, "-L", "WORK", *options)

    found = described(image)

    told, seen = run("dump.exfat", image), blkid(image)
    sector = 1 << number(r"Sector Size Bits:\s+(\d+)", told)
    cluster = sector << number(r"Sector per Cluster bits:\s+(\d+)", told)
    assert (found.kind, found.version, found.clean) == ("exfat", "1.00", True)
    assert (found.id, found.label) == (seen["UUID"], seen["LABEL"])
    assert (found.sector_bytes, found.cluster_bytes) == (sector, cluster)
    assert found.size_bytes == number(r"Volume Length\(sectors\):\s+(\d+)", told) * sector
    free = number(r"Free Clusters:\s+(\d+)", told)
    assert found.free_bytes == free * cluster
    assert found.used_bytes == (number(r"Total Clusters:\s+(\d+)", told) - free) * cluster
    assert found.backup is not None
    assert (found.backup.state, found.backup.offset) == ("same", 12 * sector)
    assert (found.state, found.unread) == ((), ())


def test_checksum_when_bytes_count_up_then_is_the_worked_value() -> None:
    """Microsoft exFAT 1.00 section 3.4, worked for byte i = i mod 256 over 11 sectors of 512."""
    data = bytes(index & 0xFF for index in range(11 * SECTOR))
    free = bytearray(data)
    free[106:108], free[112] = b"\x77\x77", 0x77

    assert exfat_boot_checksum(data) == 0xFFFBAC1B
    assert exfat_boot_checksum(bytes(free)) == 0xFFFBAC1B


@pytest.mark.tools("mkfs.exfat")
@pytest.mark.parametrize(("bit", "word"), [(0x2, "dirty"), (0x4, "failed-sectors")])
def test_state_when_a_volume_flag_is_set_then_not_clean(
    tmp_path: Path, bit: int, word: str
) -> None:
    """Section 3.1.13: VolumeDirty is bit 1, MediaFailure bit 2; neither is in the checksum."""
    image = volume(tmp_path)
    patch(image, 106, bytes([bit]))

    found = described(image)

    assert (found.clean, found.state) == (False, (word,))
    assert found.backup is not None
    assert found.backup.state == "moved_only"


@pytest.mark.tools("mkfs.exfat")
@pytest.mark.parametrize(
    ("offset", "data", "state"),
    [
        (112, b"\x63", "moved_only"),
        (100, b"\x01\x02\x03\x04", "differs"),
        (SECTOR + 7, b"\x01", "differs"),
        (3, bytes(8), "missing"),
    ],
)
def test_backup_when_altered_then_says_how(
    tmp_path: Path, offset: int, data: bytes, state: str
) -> None:
    """112 is PercentInUse, 100 the serial; sector 1 belongs to the region as well."""
    image = volume(tmp_path)
    patch(image, REGION + offset, data)

    backup = described(image).backup

    assert backup is not None
    assert backup.state == state


@pytest.mark.tools("mkfs.exfat")
def test_backup_when_it_names_another_place_then_moved_only(tmp_path: Path) -> None:
    """A copy with another PartitionOffset and its own right checksum is a copy all the same."""
    image = volume(tmp_path)
    region = bytearray(image.read_bytes()[REGION : 2 * REGION])
    struct.pack_into("<Q", region, 64, 4096)
    checksum = exfat_boot_checksum(bytes(region[: 11 * SECTOR]))
    region[11 * SECTOR :] = struct.pack("<I", checksum) * (SECTOR // 4)
    patch(image, REGION, bytes(region))

    backup = described(image).backup

    assert backup is not None
    assert (backup.state, backup.detail) == ("moved_only", "hidden sectors 4096")


@pytest.mark.tools("mkfs.exfat")
def test_state_when_the_boot_region_was_altered_then_its_checksum_tells(tmp_path: Path) -> None:
    """A serial number changed without its checksum."""
    image = volume(tmp_path)
    patch(image, 100, b"\x01\x02\x03\x04")

    assert described(image).state == ("boot-checksum-wrong",)


@pytest.mark.tools("mkfs.exfat")
def test_free_space_when_bits_past_the_last_cluster_are_set_then_they_do_not_count(
    tmp_path: Path,
) -> None:
    """Section 7.1: one bit a cluster; the bits that fill up the last byte say nothing."""
    image = volume(tmp_path, "-c", "512", size=str(65402 * SECTOR))
    before = described(image)
    data = image.read_bytes()
    clusters = int.from_bytes(data[92:96], "little")
    assert clusters % 8, "the last byte has bits to spare"
    last = bitmap_offset(image) + clusters // 8
    patch(image, last, bytes([data[last] | 0xFF << clusters % 8 & 0xFF]))

    assert described(image).free_bytes == before.free_bytes


@pytest.mark.tools("mkfs.exfat")
def test_free_space_when_clusters_are_taken_then_counts_their_bits(tmp_path: Path) -> None:
    """Sixteen bits set far into the bitmap are sixteen clusters less."""
    image = volume(tmp_path, "-c", "512")
    before = described(image).free_bytes
    patch(image, bitmap_offset(image) + 1000, b"\xff\xff")

    assert before is not None
    assert described(image).free_bytes == before - 16 * SECTOR


@pytest.mark.tools("mkfs.exfat")
def test_free_space_when_the_root_has_no_bitmap_then_none_and_said(tmp_path: Path) -> None:
    """Without entry 0x81 there is nothing to count."""
    image = volume(tmp_path)
    data = image.read_bytes()
    heap = bitmap_offset(image)
    root_cluster, shift = int.from_bytes(data[96:100], "little"), data[108] + data[109]
    root = heap + (root_cluster - 2 << shift)
    at = next(at for at in range(root, root + 512, 32) if data[at] == 0x81)
    patch(image, at, b"\x01")

    found = described(image)

    assert found.free_bytes is None
    assert [item.what for item in found.unread] == ["allocation bitmap"]


@pytest.mark.tools("mkfs.exfat")
def test_kind_when_the_chain_of_the_root_bites_its_tail_then_is_described(tmp_path: Path) -> None:
    """A FAT entry that names its own cluster ends the search, not the program."""
    image = volume(tmp_path)
    data = image.read_bytes()
    root = int.from_bytes(data[96:100], "little")
    fat = int.from_bytes(data[80:84], "little") * SECTOR
    patch(image, fat + 4 * root, struct.pack("<I", root))

    assert described(image).kind == "exfat"


@pytest.mark.tools("mkfs.exfat")
def test_backup_when_it_names_another_place_but_not_in_its_checksum_then_differs(
    tmp_path: Path,
) -> None:
    """Such a copy would be refused by the system that needs it: section 3.4."""
    image = volume(tmp_path)
    patch(image, REGION + 64, struct.pack("<Q", 4096))

    backup = described(image).backup

    assert backup is not None
    assert (backup.state, backup.detail) == ("differs", "its own checksum does not hold")
