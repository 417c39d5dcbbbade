"""What GRUB's first sector starts: its core image, by the lists of sectors that name it.

Boot code of 440 bytes can read one sector: it holds that sector's number. There begins the core
image, and at the end of its first sector stands where the rest lies: in the room between table and
first partition, in a BIOS boot partition, or in the blocks of a file.

Source: GRUB 2.06, include/grub/i386/pc/boot.h and kernel.h, grub-core/boot/i386/pc/boot.S and
diskboot.S, util/setup.c (`struct grub_pc_bios_boot_blocklist`, which grows towards the start).
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.boot.boot_record import GrubCore
from verify.errors import SourceUnreadable
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    Read = Callable[[int, int], bytes]

SECTOR_BYTES = 512
"""GRUB counts in these on every drive (GRUB_DISK_SECTOR_SIZE)."""

_KERNEL_ADDRESS, _KERNEL_SECTOR, _CLI = 0x5A, 0x5C, 0x65
_LOADED_AT = 0x8000
_DISABLE_INTERRUPTS = 0xFA
_LAST_LIST, _LIST_BYTES = 0x1F4, 12
_DISKBOOT_SAYS = b"loading"
MOST_BYTES = 4 << 20
"""Of one core image; real ones have some tens of KiB."""


def is_grub(sector: bytes) -> bool:
    """Whether a boot sector is GRUB's (version 2): it says so, and where it loads the rest."""
    return (
        len(sector) >= SECTOR_BYTES
        and b"GRUB " in sector[:440]
        and struct.unpack_from("<H", sector, _KERNEL_ADDRESS) == (_LOADED_AT,)
        and sector[_CLI] == _DISABLE_INTERRUPTS
    )


def read_core(sector: bytes, place: int, read: Read, size_bytes: int) -> GrubCore:
    """Return what a boot sector of GRUB starts.

    Args:
        sector: the boot sector; `is_grub` holds of it.
        place: the partition that it begins, 0 for sector 0 of the drive.
        read: returns bytes of the drive, by offset and length; it may raise `SourceUnreadable`.
        size_bytes: of the drive.
    """
    (first,) = struct.unpack_from("<Q", sector, _KERNEL_SECTOR)
    runs: list[tuple[int, int]] = [(first, 1)]
    problem = None
    digest = blake3()
    zeros = 0
    try:
        head = read(first * SECTOR_BYTES, SECTOR_BYTES) if _fits(runs[0], size_bytes) else b""
        if not head:
            problem = say(
                "sector {sector}, where it begins, lies behind the end of the drive", sector=first
            )
        elif _DISKBOOT_SAYS not in head:
            problem = say("sector {sector}, where it begins, holds something else", sector=first)
        runs += _lists(head) if head else ()
        total = sum(count for _, count in runs) * SECTOR_BYTES
        if problem is None and (total > MOST_BYTES or len(runs) == 1):
            problem = say("the list of its sectors is empty or too long")
        for run in runs if problem is None else ():
            if not _fits(run, size_bytes):
                problem = say(
                    "sectors {first} to {last} lie behind the drive's end",
                    first=run[0],
                    last=run[0] + run[1] - 1,
                )
                break
            data = read(run[0] * SECTOR_BYTES, run[1] * SECTOR_BYTES)
            zeros += _zero_sectors(data)
            digest.update(data)
    except SourceUnreadable as error:
        problem = say("its sectors cannot be read: {reason}", reason=error.reason)
    return GrubCore(
        place=place,
        runs=tuple(runs),
        digest=digest.hexdigest().upper() if problem is None else None,
        problem=problem,
        zero_sectors=zeros,
    )


def _zero_sectors(data: bytes) -> int:
    sectors = (data[at : at + SECTOR_BYTES] for at in range(0, len(data), SECTOR_BYTES))
    return sum(not any(sector) for sector in sectors)


def _lists(head: bytes) -> Iterator[tuple[int, int]]:
    """Yield the runs that the first sector lists, from its end on: start, sectors, segment."""
    for at in range(_LAST_LIST, 0, -_LIST_BYTES):
        start, count, _segment = struct.unpack_from("<QHH", head, at)
        if not count:
            return
        yield start, count


def _fits(run: tuple[int, int], size_bytes: int) -> bool:
    return (run[0] + run[1]) * SECTOR_BYTES <= size_bytes
