"""FAT12, FAT16 and FAT32: what a volume says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.filesystem.careful_reading import UNREADABLE, Reader, is_power_of_two, masked
from verify.filesystem.cluster_chain import FIRST_CLUSTER, Chain
from verify.filesystem.description import Backup, Filesystem
from verify.filesystem.free_counting import BITS, zero_entries
from verify.structs.base import Record
from verify.structs.fat import (
    BOOT_SECTOR,
    DIRECTORY_ENTRY,
    EXTENDED_16,
    EXTENDED_32,
    FSINFO,
    FSINFO_SIGNATURES,
)
from verify.text.message import say

if TYPE_CHECKING:
    from verify.source.window import Window

_SIGNATURE = b"\x55\xaa"
_JUMPS = (0xEB, 0xE9)
_SECTOR_SIZES = (512, 1024, 2048, 4096)
_MOST_FATS = 4
_MEDIA = frozenset({0xF0, *range(0xF8, 0x100)})

_FAT12_BELOW, _FAT16_BELOW = 4085, 65525
"""Microsoft FAT 1.03, 'FAT Type Determination': the number of clusters alone decides."""

_MOST_CLUSTERS = 0x0FFFFFF5
"""Entries have 28 bits, and the last numbers mark bad clusters and ends of chains."""

_LOW_28_BITS = 0x0FFFFFFF
_BITS_THAT_COUNT = {12: 12, 16: 16, 32: 28}

_CLEAN_BITS = {16: (0x8000, 0x4000), 32: (0x08000000, 0x04000000)}
"""FAT[1], set where all is well: dismounted, no read or write failed. FAT12 has none."""

_STATE_DIRTY, _STATE_FAILED = 0x01, 0x02
_HAS_SERIAL = (0x28, 0x29)
_ONE_FAT_ACTIVE = 0x80
_UNKNOWN_COUNT = 0xFFFFFFFF

_HIDDEN_SECTORS = (28, 32)
_STATE_16, _STATE_32 = (37, 38), (65, 66)

_MOST_ROOT_BYTES = 65536 * DIRECTORY_ENTRY.size
"""A directory has at most 65,536 entries: Microsoft FAT 1.03, 'FAT Directory Structure'."""

_VOLUME_LABEL, _LONG_NAME, _ATTRIBUTES = 0x08, 0x0F, 0x3F
_CODE_PAGE = "cp850"
"""# GUESS: a label does not say its code page; ASCII is the same in all of them."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """The sizes a boot sector gives: bytes, but `clusters` and the `bits` of a FAT entry."""

    sector_bytes: int
    cluster_bytes: int
    size_bytes: int
    clusters: int
    bits: int
    first_fat_offset: int
    fat_bytes: int
    root_offset: int
    root_bytes: int
    data_offset: int


def geometry(boot: Record, boot_32: Record) -> Geometry | None:
    """Return the sizes of a boot sector, or `None` for one that FAT cannot have."""
    sector = boot.number("BPB_BytsPerSec")
    per_cluster = boot.number("BPB_SecPerClus")
    reserved, fats = boot.number("BPB_RsvdSecCnt"), boot.number("BPB_NumFATs")
    fat_sectors = boot.number("BPB_FATSz16") or boot_32.number("BPB_FATSz32")
    total = boot.number("BPB_TotSec16") or boot.number("BPB_TotSec32")
    if (
        sector not in _SECTOR_SIZES
        or not is_power_of_two(per_cluster)
        or boot.number("BPB_Media") not in _MEDIA
        or not reserved
        or not 0 < fats <= _MOST_FATS
        or not fat_sectors
    ):
        return None
    root_bytes = boot.number("BPB_RootEntCnt") * DIRECTORY_ENTRY.size
    root = reserved + fats * fat_sectors
    data = root + -(-root_bytes // sector)
    clusters = (total - data) // per_cluster
    if not 0 < clusters <= _MOST_CLUSTERS:
        return None
    bits = 12 if clusters < _FAT12_BELOW else 16 if clusters < _FAT16_BELOW else 32
    if (bits == 32) == bool(root_bytes):  # noqa: PLR2004 - bits of FAT32
        # NOTE: FAT32 keeps its root in a chain and has no such entries. A volume too small for
        # FAT32 that was made as one anyway is read as one: its boot sector has that shape.
        if root_bytes or boot.number("BPB_FATSz16"):
            return None
        bits = 32
    return Geometry(
        sector_bytes=sector,
        cluster_bytes=per_cluster * sector,
        size_bytes=total * sector,
        clusters=clusters,
        bits=bits,
        first_fat_offset=reserved * sector,
        fat_bytes=fat_sectors * sector,
        root_offset=root * sector,
        root_bytes=root_bytes,
        data_offset=data * sector,
    )


def recognise_fat(window: Window) -> FatVolume | None:
    """Return the FAT volume whose boot sector starts the window, if one does."""
    reader = Reader(window)
    data = reader.peek(0, BOOT_SECTOR.size)
    if len(data) < BOOT_SECTOR.size or data[0] not in _JUMPS or data[510:512] != _SIGNATURE:
        return None
    boot, boot_32 = BOOT_SECTOR.parse(data), EXTENDED_32.parse(data)
    sizes = geometry(boot, boot_32)
    if sizes is None:
        return None
    extended = boot_32 if sizes.bits == 32 else EXTENDED_16.parse(data)  # noqa: PLR2004
    # SPEC: Microsoft FAT 1.03, 'FAT Data Structure': FAT[0] repeats the media byte below ones.
    ones = b"\xff\x0f" if sizes.bits == 12 else b"\xff"  # noqa: PLR2004
    start = reader.peek(sizes.first_fat_offset, 2)
    proven = (
        start[:1] == data[21:22] and len(start) == 2 and start[1] & ones[-1] == ones[-1]  # noqa: PLR2004
    )
    reader.unread.clear()
    return FatVolume(reader, boot, extended, sizes, proven)


@dataclass(frozen=True, slots=True)
class FatVolume:
    """A window that starts with a FAT boot sector; `extended` is its part that FAT32 moved."""

    reader: Reader
    boot: Record
    extended: Record
    sizes: Geometry
    proven: bool

    @property
    def kind(self) -> str:
        """`fat12`, `fat16` or `fat32`."""
        return f"fat{self.sizes.bits}"

    @property
    def is_32(self) -> bool:
        """Whether this is FAT32, which has a structure of its own after the common part."""
        return self.sizes.bits == 32  # noqa: PLR2004

    def describe(self) -> Filesystem:
        """Read serial, label, state, free space and the backup boot sector."""
        sizes, reader = self.sizes, self.reader
        free, hint = self._free(), self._hint() if self.is_32 else None
        state = self._state()
        varying = (_HIDDEN_SECTORS, _STATE_32 if self.is_32 else _STATE_16)
        boot = reader.read(0, sizes.sector_bytes, "boot sector")
        serial = self.extended.number("BS_VolID")
        has_serial = self.extended.number("BS_BootSig") in _HAS_SERIAL
        return Filesystem(
            kind=self.kind,
            label=reader.attempt("label", self._label),
            id=f"{serial >> 16:04X}-{serial & 0xFFFF:04X}" if has_serial else None,
            sector_bytes=sizes.sector_bytes,
            cluster_bytes=sizes.cluster_bytes,
            size_bytes=sizes.size_bytes,
            used_bytes=None if free is None else (sizes.clusters - free) * sizes.cluster_bytes,
            free_bytes=None if free is None else free * sizes.cluster_bytes,
            free_hint_bytes=None if hint is None else hint * sizes.cluster_bytes,
            clean=None if state is None else not state,
            state=state or (),
            hidden_sectors=self.boot.number("BPB_HiddSec"),
            backup=self._backup(boot, varying) if boot is not None and self.is_32 else None,
            boot_sector_digest=None if boot is None else blake3(masked(boot, *varying)).hexdigest(),
            unread=tuple(reader.unread),
        )

    @property
    def _fat_offset(self) -> int:
        """Where the FAT lies that is in use: the first, unless FAT32 says another."""
        flags = self.extended.number("BPB_ExtFlags") if self.is_32 else 0
        active = flags & 0xF if flags & _ONE_FAT_ACTIVE else 0
        if active >= self.boot.number("BPB_NumFATs"):
            active = 0
        return self.sizes.first_fat_offset + active * self.sizes.fat_bytes

    def _free(self) -> int | None:
        """Count the entries that are 0, of the clusters there are."""
        bits, left = self.sizes.bits, self.sizes.clusters
        start, needed = FIRST_CLUSTER * bits // BITS, -(-left * bits // BITS)
        if start + needed > self.sizes.fat_bytes:
            self.reader.note("FAT", say("it is shorter than its {count} clusters need", count=left))
            return None
        free = 0
        # FAT12 has 6 kB at most: its entries, which share bytes, come in one piece.
        for piece in self.reader.pieces([(self._fat_offset + start, needed)], "FAT"):
            here = min(left, len(piece) * BITS // bits)
            free += zero_entries(piece, bits, _BITS_THAT_COUNT[bits], here)
            left -= here
        return None if left else free

    def _hint(self) -> int | None:
        """Return the free clusters that FSInfo remembers, if it does."""
        sector = self.extended.number("BPB_FSInfo")
        if sector in {0, 0xFFFF}:
            return None
        data = self.reader.read(sector * self.sizes.sector_bytes, FSINFO.size, "FSInfo")
        if data is None:
            return None
        info = FSINFO.parse(data)
        count = info.number("FSI_Free_Count")
        genuine = all(info.number(name) == value for name, value in FSINFO_SIGNATURES.items())
        return count if genuine and count != _UNKNOWN_COUNT else None

    def _state(self) -> tuple[str, ...] | None:
        """Return what the boot sector's state byte and FAT[1] say, in words."""
        stored = self.extended.number("BS_Reserved1")
        dirty, failed = bool(stored & _STATE_DIRTY), bool(stored & _STATE_FAILED)
        if self.sizes.bits in _CLEAN_BITS:
            width = self.sizes.bits // BITS
            data = self.reader.read(self._fat_offset + width, width, "FAT[1]")
            if data is None:
                return None
            entry = int.from_bytes(data, "little")
            dismounted, no_failure = _CLEAN_BITS[self.sizes.bits]
            dirty |= not entry & dismounted
            failed |= not entry & no_failure
        return (*(["dirty"] if dirty else []), *(["failed-sectors"] if failed else []))

    def _label(self) -> str | None:
        """Return the label of the root directory; the boot sector's copy may be stale."""
        window = self.reader.window
        for offset, length in self._root_runs():
            data = window.read(offset, length)
            for at in range(0, len(data) - DIRECTORY_ENTRY.size + 1, DIRECTORY_ENTRY.size):
                if not data[at]:
                    return None
                entry = DIRECTORY_ENTRY.parse(data[at : at + DIRECTORY_ENTRY.size])
                marks = entry.number("DIR_Attr") & _ATTRIBUTES
                if data[at] != 0xE5 and marks != _LONG_NAME and marks & _VOLUME_LABEL:  # noqa: PLR2004
                    name = entry.raw("DIR_Name")
                    name = b"\xe5" + name[1:] if name[0] == 0x05 else name  # noqa: PLR2004
                    return name.decode(_CODE_PAGE, "replace").rstrip() or None
        return None

    def _root_runs(self) -> list[tuple[int, int]]:
        """Return the byte ranges of the root directory, as far as a directory may be long."""
        sizes = self.sizes
        if not self.is_32:
            return [(sizes.root_offset, sizes.root_bytes)]
        chain = Chain(self.reader, self._fat_offset, sizes.clusters, _LOW_28_BITS)
        at_most = -(-_MOST_ROOT_BYTES // sizes.cluster_bytes)
        return [
            (
                sizes.data_offset + (first - FIRST_CLUSTER) * sizes.cluster_bytes,
                count * sizes.cluster_bytes,
            )
            for first, count in chain.runs(self.extended.number("BPB_RootClus"), at_most)
        ]

    def _backup(self, boot: bytes, varying: tuple[tuple[int, int], ...]) -> Backup:
        """Compare the copy of the boot sector that FAT32 keeps."""
        sector = self.extended.number("BPB_BkBootSec")
        place = say("sector {sector}", sector=sector)
        if sector in {0, 0xFFFF}:
            return Backup(place=say("none named"), offset=None, state="missing")
        offset = sector * self.sizes.sector_bytes
        try:
            copy = self.reader.window.read(offset, len(boot))
        except UNREADABLE as error:
            return Backup(place=place, offset=offset, state="unread", detail=str(error))
        if copy == boot:
            return Backup(place=place, offset=offset, state="same")
        if copy[510:512] != _SIGNATURE or copy[0] not in _JUMPS:
            return Backup(place=place, offset=offset, state="missing")
        if masked(copy, *varying) == masked(boot, *varying):
            hidden = BOOT_SECTOR.parse(copy).number("BPB_HiddSec")
            detail = say("hidden sectors {count}", count=hidden)
            return Backup(place=place, offset=offset, state="moved_only", detail=detail)
        return Backup(place=place, offset=offset, state="differs")
