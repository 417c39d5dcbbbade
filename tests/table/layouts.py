"""Partition tables built from the standard's offsets alone, on drives that hold only what is set.

Nothing here uses the code under test: offsets are those of UEFI 2.10 sections 5.2 and 5.3, CRCs
zlib's.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field, replace
from uuid import UUID

from verify.errors import SourceUnreadable, SourceVanished

DISK_GUID = "7C69A706-EDA5-11DD-BC09-001E4CE28B8F"
BASIC = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
LINUX = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"


@dataclass
class HollowDrive:
    """A drive of any size that is zero but for the `pieces` written at their byte offsets.

    Reads that touch a sector of `bad` (byte ranges) fail as bad sectors do; with `vanishes` set,
    that many reads succeed and the drive is gone after them.
    """

    size_bytes: int
    pieces: dict[int, bytes] = field(default_factory=dict)
    bad: tuple[tuple[int, int], ...] = ()
    vanishes: int | None = None
    name: str = "hollow"
    reads: list[tuple[int, int]] = field(default_factory=list)

    def put(self, offset: int, data: bytes) -> None:
        """Write bytes over what was there before."""
        self.pieces.pop(offset, None)  # so that it comes last
        self.pieces[offset] = data

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly the bytes asked for; later pieces lie over earlier ones."""
        if offset < 0 or offset + length > self.size_bytes:
            raise AssertionError(f"read of {offset}+{length} outside {self.size_bytes} bytes")
        if self.vanishes is not None and len(self.reads) >= self.vanishes:
            raise SourceVanished(self.name, "unplugged by a test")
        self.reads.append((offset, length))
        for start, end in self.bad:
            if start < offset + length and offset < end:
                raise SourceUnreadable(self.name, start, end - start, "bad sectors of a test")
        out = bytearray(length)
        for at, data in self.pieces.items():
            low, high = max(at, offset), min(at + len(data), offset + length)
            if low < high:
                out[low - offset : high - offset] = data[low - at : high - at]
        return bytes(out)


def mbr(*records: tuple[int, int, int, int], signature: int = 0, end: bytes = b"\x55\xaa") -> bytes:
    """Build a boot record of (boot indicator, type, starting LBA, size) records."""
    sector = bytearray(512)
    struct.pack_into("<I", sector, 440, signature)
    for slot, (indicator, kind, start, size) in enumerate(records):
        struct.pack_into(
            "<B3sB3sII", sector, 446 + 16 * slot, indicator, bytes(3), kind, bytes(3), start, size
        )
    sector[510:512] = end
    return bytes(sector)


def protective(sectors: int) -> bytes:
    """Build the protective MBR of a drive of `sectors` sectors."""
    return mbr((0, 0xEE, 1, min(sectors - 1, 0xFFFFFFFF)))


@dataclass(frozen=True)
class Entry:
    """A GPT entry; `last` is inclusive, as it is stored."""

    first: int
    last: int
    type: str = BASIC
    guid: str = "00000000-0000-4000-8000-000000000001"
    name: str | bytes = ""
    attributes: int = 0

    def pack(self, size: int = 128) -> bytes:
        """Write it as stored bytes."""
        name = self.name.encode("utf-16-le") if isinstance(self.name, str) else self.name
        return struct.pack(
            "<16s16sQQQ72s",
            UUID(self.type).bytes_le,
            UUID(self.guid).bytes_le,
            self.first,
            self.last,
            self.attributes,
            name,
        ).ljust(size, b"\0")


@dataclass(frozen=True)
class Header:
    """A GPT header with the right CRC for whatever its fields say."""

    my_lba: int
    alternate_lba: int
    first_usable: int
    last_usable: int
    entries_lba: int
    entries_crc: int
    disk_guid: str = DISK_GUID
    count: int = 128
    entry_bytes: int = 128
    revision: int = 0x10000
    size: int = 92
    tail: bytes = b""

    def pack(self, sector_bytes: int = 512) -> bytes:
        """Write one sector."""
        sector = bytearray(sector_bytes)
        struct.pack_into(
            "<8sIIIIQQQQ16sQIII",
            sector,
            0,
            b"EFI PART",
            self.revision,
            self.size,
            0,
            0,
            self.my_lba,
            self.alternate_lba,
            self.first_usable,
            self.last_usable,
            UUID(self.disk_guid).bytes_le,
            self.entries_lba,
            self.count,
            self.entry_bytes,
            self.entries_crc,
        )
        sector[92 : 92 + len(self.tail)] = self.tail
        struct.pack_into("<I", sector, 16, zlib.crc32(sector[: self.size]))
        return bytes(sector)


@dataclass
class GptDrive:
    """A whole GPT drive as UEFI lays it out; change its parts, then `build()`."""

    sectors: int
    entries: dict[int, Entry] = field(default_factory=dict)
    sector_bytes: int = 512
    primary: Header = field(init=False)
    backup: Header = field(init=False)
    array: bytes = field(init=False)
    backup_array: bytes = field(init=False)
    boot: bytes = field(init=False)

    def __post_init__(self) -> None:
        """Lay out both copies: 16,384 bytes of entries behind and before the headers."""
        array = bytearray(128 * 128)
        for number, entry in self.entries.items():
            array[128 * (number - 1) : 128 * number] = entry.pack()
        self.array = self.backup_array = bytes(array)
        room = len(array) // self.sector_bytes
        last = self.sectors - 1
        self.primary = Header(1, last, 2 + room, last - room - 1, 2, zlib.crc32(array))
        self.backup = replace(self.primary, my_lba=last, alternate_lba=1, entries_lba=last - room)
        self.boot = protective(self.sectors)

    def build(self, size_bytes: int | None = None) -> HollowDrive:
        """Write it onto a drive of its own size, or of `size_bytes`."""
        unit = self.sector_bytes
        drive = HollowDrive(size_bytes or self.sectors * unit)
        drive.put(0, self.boot)
        drive.put(self.primary.entries_lba * unit, self.array)
        drive.put(unit, self.primary.pack(unit))
        drive.put(self.backup.entries_lba * unit, self.backup_array)
        drive.put((self.sectors - 1) * unit, self.backup.pack(unit))
        return drive


def fat16_boot_sector(sectors: int = 32_768, sector_bytes: int = 512) -> bytes:
    """Build a FAT16 boot sector by Microsoft's table (FAT 1.03, "Boot Sector and BPB")."""
    sector = bytearray(512)
    struct.pack_into(
        "<3s8sHBHBHHBHHHII",
        sector,
        0,
        b"\xeb\x3c\x90",
        b"INVENTED",
        sector_bytes,
        4,
        1,
        2,
        512,
        sectors if sectors < 1 << 16 else 0,
        0xF8,
        32,
        63,
        255,
        0,
        sectors if sectors >= 1 << 16 else 0,
    )
    sector[510:512] = b"\x55\xaa"
    return bytes(sector)
