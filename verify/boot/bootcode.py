"""The machine code that a BIOS runs on the way to a loader: whether it is there, and its digest.

The bytes themselves are never kept. The structures around the code (disk signature, partition
records, a filesystem's own parameters) differ between drives and are left out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from blake3 import blake3

from verify.boot.boot_record import BootCode
from verify.errors import StructureError
from verify.text.message import say

MBR_CODE_BYTES = 440
"""SPEC: UEFI 2.10 §5.2.1 puts the disk signature at byte 440 (and reserves 424 for code)."""

_SECTOR_END = 510  # the signature 55 AA follows

CODE_AREAS: dict[str, tuple[int, int]] = {
    "ntfs": (84, _SECTOR_END),
    "fat12": (62, _SECTOR_END),
    "fat16": (62, _SECTOR_END),
    "fat32": (90, _SECTOR_END),
    "exfat": (120, _SECTOR_END),
    "ext2": (0, 1024),
    "ext3": (0, 1024),
    "ext4": (0, 1024),
}
"""Where the first boot sector's code lies, from and to, in bytes of the partition.

SPEC: Microsoft's FAT specification (behind the extended boot record: 62, 90); exFAT specification
§3.1 (BootCode, 120..510); ext4: kernel documentation ("the first 1024 bytes are unused").
NTFS 84: behind its parameter block, from memory.
"""


FURTHER_AREAS: dict[str, tuple[tuple[int, int], ...]] = {
    "ntfs": ((512, 8192),),
    "fat32": ((1024, 1534), (6144, 6654)),
}
"""Where the loader goes on behind the first sector, in bytes of the partition.

NTFS: `$Boot` has 16 sectors. FAT32: sectors 2 and 12 of the boot region, without their signature
(which of them depends on the generation of the loader): common practice.
"""

_NAMED_WITHIN = 1024
_MARKS = (
    (b"GRUB ", "GRUB"),
    (b"LILO", "LILO"),
    (b"SYSLINUX", "Syslinux"),
    (b"EXTLINUX", "Syslinux"),
    ("BOOTMGR".encode("utf-16-le"), "bootmgr"),
    (b"BOOTMGR", "bootmgr"),
    ("NTLDR".encode("utf-16-le"), "NTLDR"),
    (b"NTLDR", "NTLDR"),
    (b"IO      SYS", "DOS"),
    (b"IBMBIO  COM", "DOS"),
    (b"KERNEL  SYS", "DOS"),
)
"""Names in boot code and the loader that goes by each: common practice, the first two by GRUB's
and LILO's own sources."""

FLAGLESS_LOADERS = frozenset({"GRUB", "LILO"})
"""Loaders whose code in sector 0 looks for no active partition."""


def read_mbr_code(sector: bytes) -> BootCode:
    """Return the boot code of sector 0.

    Raises:
        StructureError: fewer bytes than the code area were given.
    """
    return replace(_code("mbr", sector, 0, MBR_CODE_BYTES), loader=loader_in(sector))


def read_boot_sector_code(head: bytes, kind: str) -> BootCode | None:
    """Return the boot code of a partition; `None` for filesystems that have none.

    Args:
        head: the partition's first 1,024 bytes or more.
        kind: its filesystem.

    Raises:
        StructureError: fewer bytes than the code area were given.
    """
    if kind not in CODE_AREAS:
        return None
    code = _code("boot-sector", head, *CODE_AREAS[kind])
    further = b"".join(head[start:end] for start, end in FURTHER_AREAS.get(kind, ()))
    if not further or len(head) < FURTHER_AREAS[kind][-1][1]:
        return replace(code, loader=loader_in(head[:_NAMED_WITHIN]))
    return replace(
        code,
        loader=loader_in(head[:_NAMED_WITHIN]),
        further_present=any(further),
        further_digest=blake3(further).hexdigest().upper(),
    )


def loader_in(code: bytes) -> str | None:
    """Return what boot code starts, by the name in it; `None` where it is not known."""
    return next((name for mark, name in _MARKS if mark in code), None)


def _code(place: Literal["mbr", "boot-sector"], data: bytes, start: int, end: int) -> BootCode:
    if len(data) < end:
        raise StructureError(
            say("boot code"),
            start,
            say("length"),
            say("{size:,} bytes", size=end),
            say("{size:,} bytes", size=len(data)),
        )
    code = data[start:end]
    return BootCode(
        place=place,
        start=start,
        length=len(code),
        present=any(code),
        digest=blake3(code).hexdigest().upper(),
    )
