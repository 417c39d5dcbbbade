"""exFAT: what a volume says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.filesystem.careful_reading import UNREADABLE, Reader, masked
from verify.filesystem.checksums import exfat_boot_checksum
from verify.filesystem.cluster_chain import FIRST_CLUSTER, Chain
from verify.filesystem.description import Backup, Filesystem
from verify.filesystem.free_counting import BITS, zero_bits
from verify.structs.base import Record
from verify.structs.exfat import ALLOCATION_BITMAP, BOOT_SECTOR, SIGNATURE, VOLUME_LABEL
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.source.window import Window

_SECTOR_SHIFTS = range(9, 13)
_LARGEST_CLUSTER_SHIFT = 25
_FIRST_FAT_SECTOR = 24
_MOST_CLUSTERS = (1 << 32) - 11
"""Section 3.1.9: cluster numbers end there."""

_FAT_START = b"\xf8\xff\xff\xff"
"""Section 4.1.1: FAT[0] holds the media type below ones."""

_REGION_SECTORS = 12
_CHECKED_SECTORS = 11
_ACTIVE_FAT, _DIRTY, _MEDIA_FAILURE = 0x1, 0x2, 0x4

_PARTITION_OFFSET, _VOLUME_FLAGS, _PERCENT_IN_USE = (64, 72), (106, 108), (112, 113)
_VARYING = (_PARTITION_OFFSET, _VOLUME_FLAGS, _PERCENT_IN_USE)

_ENTRY_BYTES = 32
_END, _BITMAP, _LABEL = 0x00, 0x81, 0x83
_MOST_ROOT_BYTES = 8 << 20
"""How far the root directory is searched; these entries are written first, when it is made."""


def recognise_exfat(window: Window) -> ExfatVolume | None:
    """Return the exFAT volume whose boot sector starts the window, if one does."""
    reader = Reader(window)
    data = reader.peek(0, BOOT_SECTOR.size)
    if data[3:11] != SIGNATURE or len(data) < BOOT_SECTOR.size:
        return None
    boot = BOOT_SECTOR.parse(data)
    shift = boot.number("BytesPerSectorShift")
    if (
        any(boot.raw("MustBeZero"))
        or shift not in _SECTOR_SHIFTS
        or boot.number("SectorsPerClusterShift") > _LARGEST_CLUSTER_SHIFT - shift
        or boot.number("NumberOfFats") not in {1, 2}
        or boot.number("FatOffset") < _FIRST_FAT_SECTOR
        or not 0 < boot.number("ClusterCount") <= _MOST_CLUSTERS
    ):
        return None
    proven = reader.peek(boot.number("FatOffset") << shift, 4) == _FAT_START
    reader.unread.clear()
    return ExfatVolume(reader, boot, proven)


@dataclass(frozen=True, slots=True)
class ExfatVolume:
    """A window that starts with an exFAT boot sector."""

    reader: Reader
    boot: Record
    proven: bool

    @property
    def kind(self) -> str:
        """`exfat`."""
        return "exfat"

    @property
    def _sector_bytes(self) -> int:
        return 1 << self.boot.number("BytesPerSectorShift")

    @property
    def _cluster_bytes(self) -> int:
        return self._sector_bytes << self.boot.number("SectorsPerClusterShift")

    def describe(self) -> Filesystem:
        """Read serial, label, state, free space and the backup boot region."""
        reader, boot, sector, cluster = (
            self.reader,
            self.boot,
            self._sector_bytes,
            self._cluster_bytes,
        )
        clusters = boot.number("ClusterCount")
        flags, revision = boot.number("VolumeFlags"), boot.number("FileSystemRevision")
        bitmaps, label = self._root()
        free = self._free(bitmaps)
        region = reader.read(0, _REGION_SECTORS * sector, "boot region")
        state = [
            word
            for bit, word in ((_DIRTY, "dirty"), (_MEDIA_FAILURE, "failed-sectors"))
            if flags & bit
        ]
        if region is not None and not _checksum_holds(region, sector):
            state.append("boot-checksum-wrong")
        serial = boot.number("VolumeSerialNumber")
        return Filesystem(
            kind=self.kind,
            label=label,
            id=f"{serial >> 16:04X}-{serial & 0xFFFF:04X}",
            version=f"{revision >> 8}.{revision & 0xFF:02}",
            sector_bytes=sector,
            cluster_bytes=cluster,
            size_bytes=boot.number("VolumeLength") * sector,
            used_bytes=None if free is None else (clusters - free) * cluster,
            free_bytes=None if free is None else free * cluster,
            clean=not flags & (_DIRTY | _MEDIA_FAILURE),
            state=tuple(state),
            hidden_sectors=boot.number("PartitionOffset"),
            backup=None if region is None else self._backup(region),
            boot_sector_digest=(
                None if region is None else blake3(masked(region[:sector], *_VARYING)).hexdigest()
            ),
            unread=tuple(reader.unread),
        )

    def _root(self) -> tuple[list[Record], str | None]:
        """Return the allocation bitmap entries and the label of the root directory."""
        bitmaps: list[Record] = []
        label = None
        for entry in self._root_entries():
            if entry[0] == _BITMAP:
                bitmaps.append(ALLOCATION_BITMAP.parse(entry))
            elif entry[0] == _LABEL:
                record = VOLUME_LABEL.parse(entry)
                characters = record.raw("VolumeLabel")[: 2 * record.number("CharacterCount")]
                label = characters.decode("utf-16-le", "replace") or None
        return bitmaps, label

    def _root_entries(self) -> Iterator[bytes]:
        at_most = max(1, _MOST_ROOT_BYTES // self._cluster_bytes)
        first = self.boot.number("FirstClusterOfRootDirectory")
        left = _MOST_ROOT_BYTES
        for piece in self.reader.pieces(self._located(first, at_most), "root directory"):
            for at in range(0, min(left, len(piece)), _ENTRY_BYTES):
                if piece[at] == _END:
                    return
                yield piece[at : at + _ENTRY_BYTES]
            left -= len(piece)
            if left <= 0:
                return

    @property
    def _active(self) -> int:
        """Which FAT and bitmap are in use: 0, or 1 where there are two (TexFAT)."""
        return (self.boot.number("NumberOfFats") - 1) & self.boot.number("VolumeFlags")

    def _located(self, cluster: int, at_most: int) -> Iterator[tuple[int, int]]:
        """Yield the byte ranges of a chain of at most so many clusters."""
        sector, cluster_bytes = self._sector_bytes, self._cluster_bytes
        fat = self.boot.number("FatOffset") + self._active * self.boot.number("FatLength")
        heap = self.boot.number("ClusterHeapOffset") * sector
        clusters = self.boot.number("ClusterCount")
        chain = Chain(self.reader, fat * sector, clusters, 0xFFFFFFFF)
        # A chain with more clusters than the window holds goes round in circles.
        at_most = min(at_most, self.reader.window.size_bytes // cluster_bytes)
        for first, count in chain.runs(cluster, at_most):
            yield heap + (first - FIRST_CLUSTER) * cluster_bytes, count * cluster_bytes

    def _free(self, bitmaps: list[Record]) -> int | None:
        """Count the 0 bits of the allocation bitmap that is in use."""
        clusters = self.boot.number("ClusterCount")
        needed = -(-clusters // BITS)
        active, what = self._active, "allocation bitmap"
        for bitmap in bitmaps:
            if bitmap.number("BitmapFlags") & 1 != active:
                continue
            if bitmap.number("DataLength") < needed:
                self.reader.note(what, say("it is shorter than {needed} bytes", needed=needed))
                return None
            at_most = -(-needed // self._cluster_bytes)
            places = self._located(bitmap.number("FirstCluster"), at_most)
            free = zero_bits(self.reader.pieces(_cut(places, needed), what), clusters)
            if free is None and not any(item.what == what for item in self.reader.unread):
                self.reader.note(what, say("its chain ends before {needed} bytes", needed=needed))
            return free
        self.reader.note(what, say("the root directory has no entry for it"))
        return None

    def _backup(self, region: bytes) -> Backup:
        """Compare the backup boot region, sectors 12 to 23."""
        place, sector = say("sectors 12 to 23"), self._sector_bytes
        offset = len(region)
        try:
            copy = self.reader.window.read(offset, len(region))
        except UNREADABLE as error:
            return Backup(place=place, offset=offset, state="unread", detail=str(error))
        if copy == region:
            return Backup(place=place, offset=offset, state="same")
        if copy[3:11] != SIGNATURE:
            return Backup(place=place, offset=offset, state="missing")
        checked = _CHECKED_SECTORS * sector
        if masked(copy[:checked], *_VARYING) == masked(
            region[:checked], *_VARYING
        ) and _checksum_holds(copy, sector):
            hidden = BOOT_SECTOR.parse(copy).number("PartitionOffset")
            moved = hidden != self.boot.number("PartitionOffset")
            detail = say("hidden sectors {count}", count=hidden) if moved else None
            return Backup(place=place, offset=offset, state="moved_only", detail=detail)
        detail = None if _checksum_holds(copy, sector) else say("its own checksum does not hold")
        return Backup(place=place, offset=offset, state="differs", detail=detail)


def _cut(places: Iterator[tuple[int, int]], length: int) -> Iterator[tuple[int, int]]:
    """Yield byte ranges up to `length` bytes in all."""
    for offset, size in places:
        taken = min(size, length)
        if taken:
            yield offset, taken
        length -= taken


def _checksum_holds(region: bytes, sector: int) -> bool:
    """Whether the last sector of a boot region repeats the checksum of those before it."""
    checksum = exfat_boot_checksum(region[: _CHECKED_SECTORS * sector])
    return region[_CHECKED_SECTORS * sector :] == checksum.to_bytes(4, "little") * (sector // 4)
