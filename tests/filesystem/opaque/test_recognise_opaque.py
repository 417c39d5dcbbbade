"""What is recognised but not listed, and what is not recognised: against blkid and the formats."""

from __future__ import annotations

import lzma
import struct
import uuid
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.made import blkid, described, make, patch, run
from tests.support.drives import MemoryDrive, memory_window, whole
from verify.filesystem.checksums import crc32c, lvm_crc, md_checksum
from verify.filesystem.recognise import recognise
from verify.filesystem.searched import SIGNATURE

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1 << 20
MSR = "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"
LDM_METADATA = "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3"
BASIC_DATA = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"


def first_bytes(corpus: Path, name: str, length: int) -> bytes:
    """The start of an image of the corpus."""
    with lzma.open(corpus / f"{name}.img.xz") as file:
        return file.read(length)


@pytest.mark.tools("mkswap", "blkid")
@pytest.mark.parametrize("page", [4096, 65536])
def test_swap_when_made_by_mkswap_then_agrees_with_blkid(tmp_path: Path, page: int) -> None:
    """The size is that of all pages; mkswap rounds down to whole ones."""
    image = make(tmp_path, "8M", "mkswap", "-L", "pages", "-p", str(page))

    found, seen = described(image), blkid(image)

    assert (found.kind, found.id, found.label) == ("swap", seen["UUID"].upper(), "pages")
    assert (found.cluster_bytes, found.size_bytes) == (page, 8 * MIB)
    assert found.state == ()


@pytest.mark.tools("mkswap", "blkid")
def test_swap_when_a_suspended_system_lies_in_it_then_hibernated(tmp_path: Path) -> None:
    """The kernel replaces the signature while it sleeps; blkid then says swsuspend."""
    image = make(tmp_path, "8M", "mkswap")
    patch(image, 4086, b"S1SUSPEND\0")

    assert blkid(image)["TYPE"] == "swsuspend"
    assert described(image).state == ("hibernated",)


@pytest.mark.tools("mkfs.xfs", "blkid")
def test_xfs_when_made_by_mkfs_then_agrees_with_blkid(tmp_path: Path) -> None:
    """Label, UUID and size; free space is only the stored hint."""
    image = make(tmp_path, "320M", "mkfs.xfs", "-q", "-L", "work")

    found, seen = described(image), blkid(image)

    assert (found.kind, found.id, found.label) == ("xfs", seen["UUID"].upper(), "work")
    assert (found.cluster_bytes, found.size_bytes) == (int(seen["BLOCK_SIZE"]) * 8, 320 * MIB)
    assert found.free_bytes is None


@pytest.mark.tools("mkfs.btrfs", "blkid")
def test_btrfs_when_made_by_mkfs_then_agrees_with_blkid(tmp_path: Path) -> None:
    """Label and UUID; two devices are a set, and one of them is not the whole."""
    image = make(tmp_path, "128M", "mkfs.btrfs", "-q", "-L", "work")
    alone, seen = described(image), blkid(image)
    first, second = tmp_path / "first.img", tmp_path / "second.img"
    run("truncate", "-s", "128M", first, second)
    run("mkfs.btrfs", "-q", first, second)

    assert (alone.kind, alone.id, alone.label) == ("btrfs", seen["UUID"].upper(), "work")
    assert (alone.size_bytes, alone.features) == (128 * MIB, ())
    assert described(first).features == ("devices-2",)


@pytest.mark.tools("cryptsetup", "blkid")
@pytest.mark.parametrize("version", ["luks1", "luks2"])
def test_luks_when_formatted_by_cryptsetup_then_agrees_with_blkid(
    tmp_path: Path, version: str
) -> None:
    """The UUID is all that can be seen from outside, with LUKS2 the label too."""
    key = tmp_path / "key"
    key.write_bytes(b"k" * 32)
    image = tmp_path / "volume.img"
    run("truncate", "-s", "32M", image)
    quick = ("--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000")
    label = ("--label", "work") if version == "luks2" else ()
    run("cryptsetup", "luksFormat", "-q", "--type", version, *quick, *label, image, key)

    found, seen = described(image), blkid(image)

    assert (found.kind, found.version) == ("luks", version[-1])
    assert found.id == seen["UUID"].upper()
    assert found.label == seen.get("LABEL")


def md_member(version: int, size: int) -> tuple[bytes, uuid.UUID]:
    """A member of a mirror with a superblock of version 1.x, by md_p.h."""
    name = uuid.UUID("01234567-89ab-cdef-0123-456789abcdef")
    place = {0: (size // 512 - 16 & ~7) * 512, 1: 0, 2: 4096}[version]
    block = bytearray(256 + 2 * 128)
    struct.pack_into("<II", block, 0, 0xA92B4EFC, 1)
    block[16:32] = name.bytes
    block[32:36] = b"work"
    struct.pack_into("<i", block, 72, 1)
    struct.pack_into("<Q", block, 80, size // 512)
    struct.pack_into("<I", block, 92, 2)
    struct.pack_into("<Q", block, 144, place // 512)
    struct.pack_into("<I", block, 220, 128)
    struct.pack_into("<I", block, 216, md_checksum(bytes(block), 216))
    image = bytearray(size)
    image[place : place + len(block)] = block
    return bytes(image), name


@pytest.mark.tools("mdadm", "blkid")
@pytest.mark.parametrize("version", [0, 1, 2])
def test_md_member_when_built_by_the_format_then_mdadm_and_blkid_agree(
    tmp_path: Path, version: int
) -> None:
    """Mdadm checks the checksum; blkid prints the set's UUID and the version."""
    data, name = md_member(version, 4 * MIB)
    image = tmp_path / "member.img"
    image.write_bytes(data)

    found, seen = described(image), blkid(image)

    assert "- correct" in run("mdadm", "--examine", image)
    assert (seen["TYPE"], seen["UUID"]) == ("linux_raid_member", str(name))
    assert (found.kind, found.id) == ("md-raid", str(name).upper())
    assert found.version == seen["VERSION"] == f"1.{version}"
    assert found.features == ("level-1", "devices-2")


@pytest.mark.tools("mke2fs")
def test_md_member_when_a_filesystem_shows_at_its_start_then_the_set_wins(tmp_path: Path) -> None:
    """Version 1.0 keeps its superblock at the end: a mirror's member starts as the mirror does."""
    image = make(tmp_path, "4M", "mke2fs", "-q", "-F", "-t", "ext4")
    member, _ = md_member(0, 4 * MIB)
    place = (4 * MIB // 512 - 16 & ~7) * 512
    patch(image, place, member[place:])

    assert described(image).kind == "md-raid"


def test_checksums_when_given_the_standard_text_then_are_its_values() -> None:
    """CRC-32C of '123456789' is 0xE3069283 (RFC 3720's polynomial, its catalogued check value)."""
    assert crc32c(b"123456789") ^ 0xFFFFFFFF == 0xE3069283


def test_lvm_checksum_when_its_sector_is_altered_then_the_label_is_not_proven(
    corpus: Path,
) -> None:
    """The label of a real physical volume holds; one changed byte does not."""
    stored = first_bytes(corpus, "lvm-pv", 2048)
    sector = stored[512:1024]

    assert sector[:8] == b"LABELONE"
    assert lvm_crc(sector[20:]) == int.from_bytes(sector[16:20], "little")
    assert lvm_crc(sector[20:-1] + b"x") != int.from_bytes(sector[16:20], "little")


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (MSR, "msr"),
        (MSR.lower(), "msr"),
        (LDM_METADATA, "ldm"),
        ("05", "extended"),
        ("0F", "extended"),
        ("0f", "extended"),
        ("85", "extended"),
        (BASIC_DATA, "unknown"),
        ("07", "unknown"),
        ("", "unknown"),
    ],
)
def test_kind_when_zeroed_then_only_the_type_can_say(code: str, kind: str) -> None:
    """Zeros are nothing; reserved, LDM and extended partitions are recognised by their type."""
    assert recognise(memory_window(bytes(MIB)), type_code=code).kind == kind


@pytest.mark.parametrize("size", [0, 1, 511, 512, 4095, 4096])
def test_kind_when_the_window_is_tiny_then_unknown(size: int) -> None:
    """No structure fits, and nothing is claimed."""
    found = recognise(memory_window(b"\xff" * size))

    assert (found.kind, found.unread) == ("unknown", ())


def test_kind_when_the_first_sectors_are_bad_then_unknown_and_said() -> None:
    """A signature may have stood there: that it was not read is part of the answer."""
    drive = MemoryDrive(bytes(MIB), bad=((0, 4096),))

    found = recognise(whole(drive))

    assert found.kind == "unknown"
    assert [item.what for item in found.unread] == ["first sectors", SIGNATURE]


@pytest.mark.tools("mke2fs", "mkfs.xfs", "blkid")
def test_kind_when_two_filesystems_are_whole_then_ambiguous(tmp_path: Path) -> None:
    """XFS keeps its superblock in the sector that ext leaves free; blkid gives no answer either."""
    image = make(tmp_path, "320M", "mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096")
    (tmp_path / "other").mkdir()
    other = make(tmp_path / "other", "320M", "mkfs.xfs", "-q")
    patch(image, 0, other.read_bytes()[:512])

    found = described(image)

    assert found.kind == "ambiguous"
    assert set(found.candidates) == {"ext4", "xfs"}


@pytest.mark.tools("mke2fs", "mkfs.btrfs")
def test_kind_when_a_leftover_superblock_is_damaged_then_its_checksum_decides(
    tmp_path: Path,
) -> None:
    """A btrfs superblock at 64 KiB of an ext4: proven while its CRC-32C holds, else a leftover."""
    image = make(tmp_path, "128M", "mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096")
    (tmp_path / "old").mkdir()
    old = make(tmp_path / "old", "128M", "mkfs.btrfs", "-q")
    patch(image, 65536, old.read_bytes()[65536 : 65536 + 4096])
    both = described(image)
    patch(image, 65536 + 2000, b"damage")

    found = described(image)

    assert (both.kind, both.candidates) == ("ambiguous", ("ext4", "btrfs"))
    assert (found.kind, found.candidates) == ("ext4", ("btrfs",))


LEFTOVERS = {
    "fat16": ("mkfs.fat", "-F", "16", "-R", "8"),
    "ntfs": ("mkntfs", "-F", "-Q"),
    "exfat": ("mkfs.exfat",),
}


@pytest.mark.tools("mke2fs", "mkfs.fat", "mkntfs", "mkfs.exfat")
@pytest.mark.parametrize("kind", LEFTOVERS)
def test_kind_when_one_is_only_a_leftover_boot_sector_then_the_whole_one(
    tmp_path: Path, kind: str
) -> None:
    """A boot sector without what it points at proves nothing; it is named beside the answer."""
    image = make(tmp_path, "16M", "mke2fs", "-q", "-F", "-t", "ext4")
    (tmp_path / "old").mkdir()
    old = make(tmp_path / "old", "16M", *LEFTOVERS[kind])
    patch(image, 0, old.read_bytes()[:512])

    found = described(image)

    assert (found.kind, found.candidates) == ("ext4", (kind,))


@pytest.mark.tools("mke2fs", "mkfs.fat", "mkntfs", "mkfs.exfat")
@pytest.mark.parametrize("kind", LEFTOVERS)
def test_kind_when_one_is_only_a_leftover_superblock_then_the_whole_one(
    tmp_path: Path, kind: str
) -> None:
    """A superblock without group descriptors proves nothing either."""
    image = make(tmp_path, "16M", *LEFTOVERS[kind])
    (tmp_path / "old").mkdir()
    old = make(tmp_path / "old", "16M", "mke2fs", "-q", "-F", "-t", "ext4", "-b", "4096")
    patch(image, 1024, old.read_bytes()[1024:2048])

    found = described(image)

    assert (found.kind, found.candidates) == (kind, ("ext4",))


def test_bitlocker_when_its_metadata_is_gone_then_still_bitlocker_and_said(corpus: Path) -> None:
    """The boot sector alone names it; without metadata it cannot be unlocked, so say so."""
    data = first_bytes(corpus, "bde-aes-xts-128", 4096)

    found = recognise(memory_window(data))

    assert (found.kind, found.id) == ("bitlocker", None)
    assert "BitLocker metadata" in {item.what for item in found.unread}


def test_bitlocker_when_decrypted_then_the_state_says_so(corpus: Path) -> None:
    """A volume decrypted again keeps the signature; its maker told which image is which."""
    locked = first_bytes(corpus, "bde-aes-xts-128", 40 * MIB)
    opened = first_bytes(corpus, "bde-decrypted", 40 * MIB)

    assert recognise(memory_window(locked)).state == ("encrypted",)
    assert recognise(memory_window(opened)).state == ("decrypted",)


def test_refs_when_built_by_the_format_then_described() -> None:
    """Offsets of libfsrefs: sectors at 24, bytes a sector at 32, sectors a cluster at 36."""
    boot = bytearray(512)
    boot[3:11], boot[16:20] = b"ReFS\0\0\0\0", b"FSRS"
    struct.pack_into("<QII2s", boot, 24, 2048, 512, 128, b"\x03\x07")
    struct.pack_into("<Q", boot, 56, 0x0123456789ABCDEF)

    found = recognise(memory_window(bytes(boot)))

    assert (found.kind, found.version, found.id) == ("refs", "3.7", "0123456789ABCDEF")
    assert (found.size_bytes, found.cluster_bytes) == (MIB, 65536)


@pytest.mark.tools("blkid")
def test_hfs_plus_when_built_by_the_format_then_described(tmp_path: Path) -> None:
    """TN1150's offsets; blkid reads the same volume from the same bytes."""
    image = tmp_path / "volume.img"
    data = bytearray(MIB)
    struct.pack_into(">2sHI", data, 1024, b"H+", 4, 1 << 8)
    struct.pack_into(">III", data, 1024 + 40, 4096, 256, 100)
    data[1024 + 104 : 1024 + 112] = bytes.fromhex("0123456789abcdef")
    image.write_bytes(bytes(data))

    found = described(image)

    assert blkid(image)["TYPE"] == "hfsplus"
    assert (found.kind, found.id, found.clean) == ("hfsplus", "0123456789ABCDEF", True)
    assert (found.size_bytes, found.free_hint_bytes) == (MIB, 100 * 4096)


def test_size_when_an_lvm_label_says_it_then_kept(corpus: Path) -> None:
    """The image is as long as its physical volume says: 5 MiB (INDEX, raw size 5,242,880)."""
    found = recognise(memory_window(first_bytes(corpus, "lvm-pv", 6 * MIB)))

    assert found.size_bytes == 5242880
