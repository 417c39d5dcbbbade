"""FAT volumes made by mkfs.fat against fsck.fat, blkid and Microsoft's arithmetic."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.made import blkid, described, make, number, patch, run
from tests.support.drives import memory_window
from verify.filesystem.recognise import recognise

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 512
SIZES = {"fat12": ("4M", "12"), "fat16": ("16M", "16"), "fat32": ("64M", "32")}


def volume(folder: Path, kind: str, *options: str) -> Path:
    """A fresh volume with a fixed serial."""
    size, bits = SIZES[kind]
    return make(folder, size, "mkfs.fat", "-F", bits, "-i", "1a2b3c4d", *options)


def fat_bytes(image: Path) -> tuple[int, int]:
    """Where the first FAT starts, and how long it is: BPB fields 14, 22 and 36."""
    boot = image.read_bytes()[:SECTOR]
    sector, reserved = struct.unpack_from("<H", boot, 11)[0], struct.unpack_from("<H", boot, 14)[0]
    length = struct.unpack_from("<H", boot, 22)[0] or struct.unpack_from("<I", boot, 36)[0]
    return reserved * sector, length * sector


@pytest.mark.tools("mkfs.fat", "fsck.fat", "blkid", "mcopy")
@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("fat12", ()),
        ("fat12", ("-S", "4096")),
        ("fat16", ()),
        ("fat16", ("-s", "1")),
        ("fat32", ()),
        ("fat32", ("-s", "1")),
    ],
)
def test_description_when_files_are_in_it_then_agrees_with_fsck_and_blkid(
    tmp_path: Path, kind: str, options: tuple[str, ...]
) -> None:
    """Kind, clusters in use, serial and label are what two other readers say."""
    image = volume(tmp_path, kind, "-n", "WORK", *options)
    payload = tmp_path / "payload"
    payload.write_bytes(b"x" * 100_000)
    run("mcopy", "-i", image, payload, "::A.BIN")

    found = described(image)

    told, seen = run("fsck.fat", "-v", "-n", image), blkid(image)
    assert (found.kind, found.clean, found.label) == (kind, True, seen["LABEL"])
    assert found.kind.upper() == seen["VERSION"]
    assert found.id == seen["UUID"] == "1A2B-3C4D"
    assert found.cluster_bytes == number(r"(\d+) bytes per cluster", told)
    used, clusters = number(r"files, (\d+)/", told), number(r"files, \d+/(\d+) clusters", told)
    assert found.free_bytes == (clusters - used) * found.cluster_bytes
    assert found.used_bytes == used * found.cluster_bytes
    assert found.unread == ()


@pytest.mark.parametrize(
    ("clusters", "root_entries", "kind"),
    [
        (4084, 512, "fat12"),
        (4085, 512, "fat16"),
        (65524, 512, "fat16"),
        (65525, 0, "fat32"),
    ],
)
def test_kind_when_clusters_are_at_a_limit_then_the_count_decides(
    clusters: int, root_entries: int, kind: str
) -> None:
    """Microsoft FAT 1.03, 'FAT Type Determination': below 4,085 FAT12, below 65,525 FAT16."""
    fat_sectors = 520
    boot = bytearray(SECTOR)
    boot[:3] = b"\xeb\x58\x90"
    total = 32 + fat_sectors + root_entries * 32 // SECTOR + clusters
    struct.pack_into("<HBHBHHB", boot, 11, SECTOR, 1, 32, 1, root_entries, 0, 0xF8)
    struct.pack_into("<I", boot, 32, total)
    struct.pack_into("<H" if root_entries else "<I", boot, 22 if root_entries else 36, fat_sectors)
    boot[510:] = b"\x55\xaa"

    found = recognise(memory_window(bytes(boot)))

    assert found.kind == kind
    assert found.size_bytes == total * SECTOR
    assert found.free_bytes is None
    assert "FAT" in {item.what for item in found.unread}


@pytest.mark.tools("mkfs.fat")
@pytest.mark.parametrize(
    ("kind", "mask", "word"),
    [
        ("fat16", 0x8000, "dirty"),
        ("fat16", 0x4000, "failed-sectors"),
        ("fat32", 0x08000000, "dirty"),
        ("fat32", 0x04000000, "failed-sectors"),
    ],
)
def test_state_when_a_bit_of_the_second_entry_is_clear_then_not_clean(
    tmp_path: Path, kind: str, mask: int, word: str
) -> None:
    """Microsoft FAT 1.03, 'FAT Data Structure': ClnShutBitMask and HrdErrBitMask of FAT[1]."""
    image = volume(tmp_path, kind)
    start, _ = fat_bytes(image)
    width = {"fat16": 2, "fat32": 4}[kind]
    entry = int.from_bytes(image.read_bytes()[start + width : start + 2 * width], "little")
    patch(image, start + width, (entry & ~mask).to_bytes(width, "little"))

    found = described(image)

    assert (found.clean, found.state) == (False, (word,))


@pytest.mark.tools("mkfs.fat", "fsck.fat")
@pytest.mark.parametrize(("kind", "offset"), [("fat12", 37), ("fat16", 37), ("fat32", 65)])
def test_state_when_the_boot_sector_says_dirty_then_not_clean(
    tmp_path: Path, kind: str, offset: int
) -> None:
    """linux/msdos_fs.h, FAT_STATE_DIRTY; fsck.fat reports the same bit."""
    image = volume(tmp_path, kind)
    assert described(image).clean is True
    patch(image, offset, b"\x01")

    found = described(image)

    assert (found.clean, found.state) == (False, ("dirty",))


@pytest.mark.tools("mkfs.fat")
def test_hint_when_it_is_wrong_then_stands_beside_the_count(tmp_path: Path) -> None:
    """FSInfo's count (sector 1, byte 488) is a hint: what is counted does not follow it."""
    image = volume(tmp_path, "fat32")
    before = described(image)
    patch(image, SECTOR + 488, struct.pack("<I", 77))
    wrong = described(image)
    patch(image, SECTOR + 488, b"\xff\xff\xff\xff")
    unknown = described(image)

    assert before.free_hint_bytes == before.free_bytes == wrong.free_bytes == unknown.free_bytes
    assert wrong.cluster_bytes is not None
    assert wrong.free_hint_bytes == 77 * wrong.cluster_bytes
    assert unknown.free_hint_bytes is None


@pytest.mark.tools("mkfs.fat")
@pytest.mark.parametrize(
    ("offset", "data", "state"),
    [
        (28, b"\x00\x08\x00\x00", "moved_only"),
        (65, b"\x01", "moved_only"),
        (67, b"\x01\x02", "differs"),
        (0, bytes(SECTOR), "missing"),
    ],
)
def test_backup_when_altered_then_says_how(
    tmp_path: Path, offset: int, data: bytes, state: str
) -> None:
    """Sector 6 copies the boot sector; 28 are hidden sectors, 65 the state, 67 the serial."""
    image = volume(tmp_path, "fat32")
    fresh = described(image).backup
    patch(image, 6 * SECTOR + offset, data)

    backup = described(image).backup

    assert fresh is not None
    assert backup is not None
    assert (fresh.state, fresh.offset) == ("same", 6 * SECTOR)
    assert backup.state == state


@pytest.mark.tools("mkfs.fat")
def test_backup_when_fat16_then_there_is_none(tmp_path: Path) -> None:
    """Only FAT32 has a field for it."""
    assert described(volume(tmp_path, "fat16")).backup is None


@pytest.mark.tools("mkfs.fat", "mcopy", "mattrib", "blkid")
def test_label_when_only_the_boot_sector_has_one_then_none(tmp_path: Path) -> None:
    """The root directory's entry counts: the copy in the boot sector may be stale."""
    image = volume(tmp_path, "fat16", "-n", "WORK")
    start, length = fat_bytes(image)
    patch(image, start + 2 * length, bytes(32))

    assert described(image).label is None
    assert "LABEL" not in blkid(image)


@pytest.mark.tools("mkfs.fat")
def test_active_fat_when_the_second_is_in_use_then_that_one_is_counted(tmp_path: Path) -> None:
    """Microsoft FAT 1.03, BPB_ExtFlags: bit 7 set, bits 0 to 3 name the FAT in use."""
    image = volume(tmp_path, "fat32", "-s", "1")
    before = described(image).free_bytes
    start, length = fat_bytes(image)
    patch(image, start + length + 40, struct.pack("<3I", 11, 12, 0x0FFFFFFF))
    unchanged = described(image).free_bytes
    patch(image, 40, struct.pack("<H", 0x81))

    assert unchanged == before
    assert before is not None
    assert described(image).free_bytes == before - 3 * SECTOR


@pytest.mark.tools("mkfs.fat", "fsck.fat")
def test_free_space_when_reserved_bits_of_an_entry_are_set_then_it_is_free(tmp_path: Path) -> None:
    """Microsoft FAT 1.03: the high four bits of a FAT32 entry are reserved and do not count."""
    image = volume(tmp_path, "fat32")
    before = described(image).free_bytes
    start, length = fat_bytes(image)
    for copy in range(2):
        patch(image, start + copy * length + 400, struct.pack("<I", 0xF0000000))

    found = described(image)

    assert found.cluster_bytes is not None
    used = number(r"files, (\d+)/", run("fsck.fat", "-v", "-n", image))
    assert found.used_bytes == used * found.cluster_bytes
    assert found.free_bytes == before


@pytest.mark.tools("mkfs.fat")
@pytest.mark.parametrize(
    ("name", "attributes", "label"),
    [
        (b"WORK       ", 0x08, "WORK"),
        (b"WORK       ", 0x28, "WORK"),
        (b"\x05OE        ", 0x08, "\u00d5OE"),
        (b"\xe5ORK       ", 0x08, None),
        (b"WORK       ", 0x0F, None),
        (b"WORK       ", 0x20, None),
    ],
)
def test_label_when_an_entry_is_marked_then_only_a_label_counts(
    tmp_path: Path, name: bytes, attributes: int, label: str | None
) -> None:
    """0x08 marks a label, 0x0F a part of a long name; 0xE5 first is deleted, 0x05 stands for it."""
    image = volume(tmp_path, "fat16")
    start, length = fat_bytes(image)
    patch(image, start + 2 * length, name + bytes([attributes]) + bytes(20))

    assert described(image).label == label


@pytest.mark.tools("mkfs.fat", "blkid")
def test_label_when_the_chain_to_it_has_reserved_bits_set_then_is_found(tmp_path: Path) -> None:
    """The root goes on in cluster 3; the high four bits of the entry that says so do not count."""
    image = volume(tmp_path, "fat32", "-s", "1")
    start, length = fat_bytes(image)
    for copy in range(2):
        links = struct.pack("<2I", 0xF0000003, 0x0FFFFFFF)
        patch(image, start + copy * length + 8, links)
    data = start + 2 * length
    patch(image, data, (b"\xe5GONE      \x20" + bytes(20)) * (SECTOR // 32))
    patch(image, data + SECTOR, b"WORK       \x08" + bytes(20))

    assert described(image).label == "WORK"
    assert blkid(image)["LABEL"] == "WORK"
