"""The machine code that a BIOS runs on the way to a loader: whether it is there, and its digest.

The bytes themselves are never kept. The structures around the code (disk signature, partition
records, a filesystem's own parameters) differ between drives and are left out.
"""

from __future__ import annotations

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


def read_mbr_code(sector: bytes) -> BootCode:
    """Return the boot code of sector 0.

    Raises:
        StructureError: fewer bytes than the code area were given.
    """
    return _code("mbr", sector, 0, MBR_CODE_BYTES)


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
    return _code("boot-sector", head, *CODE_AREAS[kind])


def _code(place: Literal["mbr", "boot-sector"], data: bytes, start: int, end: int) -> BootCode:
    if len(data) < end:
        raise StructureError(
            say("boot code"),
            start,
            say("length"),
            say("{size} bytes", size=end),
            say("{size} bytes", size=len(data)),
        )
    code = data[start:end]
    return BootCode(
        place=place,
        start=start,
        length=len(code),
        present=any(code),
        digest=blake3(code).hexdigest().upper(),
    )
