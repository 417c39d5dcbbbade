"""Does a filesystem begin at this byte? Just enough to tell which reading of a table is right.

This is no description of a filesystem: `verify.filesystem` gives that. What is reported here is
evidence: a boot record and a FAT boot sector end in the same two bytes, and a table written in
sectors of another size points at the right places only when read in that size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.structs import exfat, ext, fat, mbr, ntfs
from verify.table.sectors import peek

if TYPE_CHECKING:
    from verify.source.window import Readable

_HEAD_BYTES = 4096
_BTRFS_OFFSET = 65_536
_XFS_MAGIC = b"XFSB"
_ENCRYPTED_BOOT_SECTOR = b"-FVE-FS-"
_EXFAT_SHIFTS = range(9, 13)
_EXT_SHIFTS = range(7)
_NTFS_SHIFTS = range(240, 256)
_FAT_JUMPS = frozenset({0xEB, 0xE9})
_FAT_MEDIA = frozenset({0xF0, *range(0xF8, 0x100)})

_MAGICS = (
    # SPEC: util-linux, libblkid/src/superblocks/{luks,refs,lvm,apfs,hfs,swap}.c
    (0, b"LUKS\xba\xbe", "luks"),
    (3, b"ReFS\0\0\0\0", "refs"),
    (536, b"LVM2 001", "lvm"),
    (32, b"NXSB", "apfs"),
    (1024, b"H+\0\4", "hfsplus"),
    (1024, b"HX\0\5", "hfsplus"),
    (4086, b"SWAPSPACE2", "swap"),
)
"""Byte offset, signature and kind of what is recognised by its signature alone."""


@dataclass(frozen=True, slots=True)
class Volume:
    """A filesystem that begins here; `size_bytes` is what it says it spans, if it says so."""

    kind: str
    size_bytes: int | None


def volume_at(drive: Readable, offset: int) -> Volume | None:
    """Tell which filesystem begins at byte `offset` of the drive, if one is recognised.

    Sectors that cannot be read are no evidence for anything.

    Raises:
        SourceVanished: the drive is gone.
    """
    head = peek(drive, offset, _HEAD_BYTES)
    if len(head) < mbr.BOOT_RECORD_BYTES:
        return None
    found = boot_sector_volume(head) or _ext(head) or _xfs(head)
    if found:
        return found
    for at, magic, kind in _MAGICS:
        if head[at : at + len(magic)] == magic:
            return Volume(kind, None)
    if peek(drive, offset + _BTRFS_OFFSET, 72)[64:] == b"_BHRfS_M":
        return Volume("btrfs", None)
    return None


def boot_sector_volume(sector: bytes) -> Volume | None:
    """Tell whose valid boot sector the first 512 bytes of `sector` are, if anyone's."""
    if sector[510:512] != mbr.SIGNATURE:
        return None
    if sector[3:11] == _ENCRYPTED_BOOT_SECTOR:
        return Volume("bitlocker", None)
    return _ntfs(sector) or _exfat(sector) or _fat(sector)


def _power_of_two(value: int, low: int, high: int) -> bool:
    return low <= value <= high and value & (value - 1) == 0


def recorded_start(sector: bytes) -> int | None:
    """Return how many sectors lie in front of a volume, as its boot sector says, if it says so.

    `sector`: its first 512 bytes. BitLocker keeps the field of the volume that it encrypts.
    """
    volume = boot_sector_volume(sector)
    if volume is None:
        return None
    if volume.kind == "exfat":
        return exfat.BOOT_SECTOR.parse(sector).number("PartitionOffset")
    if volume.kind == "fat":
        return fat.BOOT_SECTOR.parse(sector).number("BPB_HiddSec")
    return ntfs.BOOT_SECTOR.parse(sector).number("hidden_sectors")


def _ntfs(sector: bytes) -> Volume | None:
    boot = ntfs.BOOT_SECTOR.parse(sector)
    sector_bytes, total = boot.number("bytes_per_sector"), boot.number("total_sectors")
    per_cluster = boot.number("sectors_per_cluster")
    good = (
        boot.raw("oem_id") == ntfs.SIGNATURE
        and _power_of_two(sector_bytes, 256, 4096)
        # SPEC: libblkid/src/superblocks/ntfs.c: 1..128, or 256 - n for 2^n sectors.
        and (_power_of_two(per_cluster, 1, 128) or per_cluster in _NTFS_SHIFTS)
        and not boot.number("reserved_sectors")
        and not boot.number("fats")
        and 0 < total < 1 << 63
    )
    # NOTE: total_sectors does not count the backup boot sector behind them.
    return Volume("ntfs", (total + 1) * sector_bytes) if good else None


def _exfat(sector: bytes) -> Volume | None:
    boot = exfat.BOOT_SECTOR.parse(sector)
    shift, length = boot.number("BytesPerSectorShift"), boot.number("VolumeLength")
    # SPEC: Microsoft exFAT 1.00, sections 3.1.2 to 3.1.17.
    good = (
        boot.raw("FileSystemName") == exfat.SIGNATURE
        and not any(boot.raw("MustBeZero"))
        and shift in _EXFAT_SHIFTS
        and boot.number("SectorsPerClusterShift") <= 25 - shift
        and boot.number("NumberOfFats") in {1, 2}
        and length > 0
    )
    return Volume("exfat", length << shift) if good else None


def _fat(sector: bytes) -> Volume | None:
    boot = fat.BOOT_SECTOR.parse(sector)
    sector_bytes = boot.number("BPB_BytsPerSec")
    total = boot.number("BPB_TotSec16") or boot.number("BPB_TotSec32")
    fat_sectors = boot.number("BPB_FATSz16") or fat.EXTENDED_32.parse(sector).number("BPB_FATSz32")
    root_bytes = 32 * boot.number("BPB_RootEntCnt")
    before_data = (
        boot.number("BPB_RsvdSecCnt")
        + boot.number("BPB_NumFATs") * fat_sectors
        + -(-root_bytes // (sector_bytes or 1))
    )
    # SPEC: Microsoft FAT 1.03, "Boot Sector and BPB Structure".
    good = (
        boot.raw("BS_jmpBoot")[0] in _FAT_JUMPS
        and _power_of_two(sector_bytes, 512, 4096)
        and _power_of_two(boot.number("BPB_SecPerClus"), 1, 128)
        and boot.number("BPB_RsvdSecCnt") > 0
        and boot.number("BPB_NumFATs") > 0
        and boot.number("BPB_Media") in _FAT_MEDIA
        and fat_sectors > 0
        and before_data < total
    )
    return Volume("fat", total * sector_bytes) if good else None


def _ext(head: bytes) -> Volume | None:
    if len(head) < ext.SUPERBLOCK_OFFSET + ext.SUPERBLOCK.size:
        return None
    block = ext.SUPERBLOCK.parse(head[ext.SUPERBLOCK_OFFSET :])
    blocks, shift = block.number("blocks_count_lo"), block.number("log_block_size")
    # SPEC: Linux Documentation/filesystems/ext4/super.rst; blocks of 1 KiB to 64 KiB.
    if block.number("magic") != ext.MAGIC or shift not in _EXT_SHIFTS or not blocks:
        return None
    return Volume("ext", blocks << (10 + shift))


def _xfs(head: bytes) -> Volume | None:
    block_bytes, blocks = int.from_bytes(head[4:8], "big"), int.from_bytes(head[8:16], "big")
    # SPEC: libblkid/src/superblocks/xfs.c: block size at 4, data blocks at 8, big-endian.
    if head[:4] != _XFS_MAGIC or not _power_of_two(block_bytes, 512, 65_536) or not blocks:
        return None
    return Volume("xfs", block_bytes * blocks)
