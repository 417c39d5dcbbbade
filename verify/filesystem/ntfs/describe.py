"""NTFS: what a volume says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.filesystem.careful_reading import UNREADABLE, Reader, is_power_of_two, masked
from verify.filesystem.description import Backup, Filesystem
from verify.filesystem.free_counting import BITS, zero_bits
from verify.filesystem.ntfs.log import Log, log_state
from verify.filesystem.ntfs.records import Records
from verify.structs.base import Record
from verify.structs.ntfs import (
    BOOT_SECTOR,
    FILE_SIGNATURE,
    SIGNATURE,
    VOLUME_FLAGS,
    VOLUME_INFORMATION,
)
from verify.text.message import say

if TYPE_CHECKING:
    from verify.source.window import Window

_SECTOR_SIZES = (256, 512, 1024, 2048, 4096)
_LARGEST_CLUSTER = 2 << 20
_MOST_CLUSTERS = 1 << 32
"""2^32 - 1 clusters is the largest NTFS volume: Microsoft, 'NTFS overview'."""

_SMALLEST_RECORD, _LARGEST_RECORD = 256, 1 << 16

_VOLUME, _BITMAP = 3, 6
_VOLUME_NAME_TYPE, _VOLUME_INFORMATION_TYPE = 0x60, 0x70

_DIRTY, _RESIZE_LOG, _NO_SHORT_NAMES, _CHECK_UNDER_WAY = 0x0001, 0x0002, 0x0080, 0x4000
_UNCLEAN = _DIRTY | _CHECK_UNDER_WAY

_HIDDEN_SECTORS = (28, 32)

_FIRST_EXPONENT = 244
"""From here on the byte counts sectors as 2^(256-n): libfsntfs, 'The volume header'."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """The sizes a boot sector gives, all in bytes but the cluster count."""

    sector_bytes: int
    cluster_bytes: int
    record_bytes: int
    size_bytes: int
    clusters: int
    mft_offset: int
    mirror_offset: int


def geometry(boot: Record) -> Geometry | None:
    """Return the sizes of a boot sector, or `None` for one that NTFS cannot have."""
    sector = boot.number("bytes_per_sector")
    per_cluster = boot.number("sectors_per_cluster")
    if per_cluster >= _FIRST_EXPONENT:
        per_cluster = 1 << (256 - per_cluster)
    unused = ("reserved_sectors", "fats", "root_entries", "total_sectors_16", "sectors_per_fat")
    if (
        sector not in _SECTOR_SIZES
        or not is_power_of_two(per_cluster)
        or sector * per_cluster > _LARGEST_CLUSTER
        or any(boot.number(name) for name in (*unused, "total_sectors_32"))
    ):
        return None
    cluster = sector * per_cluster
    coded = boot.number("record_size")
    record = coded * cluster if coded > 0 else 1 << -coded
    clusters = boot.number("total_sectors") // per_cluster
    mft, mirror = boot.number("mft_cluster"), boot.number("mft_mirror_cluster")
    if (
        not is_power_of_two(record)
        or not _SMALLEST_RECORD <= record <= _LARGEST_RECORD
        or not 0 < clusters <= _MOST_CLUSTERS
        or max(mft, mirror) >= clusters
    ):
        return None
    size = boot.number("total_sectors") * sector
    return Geometry(sector, cluster, record, size, clusters, mft * cluster, mirror * cluster)


def recognise_ntfs(window: Window) -> NtfsVolume | None:
    """Return the NTFS volume whose boot sector starts the window, if one does."""
    reader = Reader(window)
    data = reader.peek(0, BOOT_SECTOR.size)
    if data[3:11] != SIGNATURE or len(data) < BOOT_SECTOR.size:
        return None
    boot = BOOT_SECTOR.parse(data)
    sizes = geometry(boot)
    if sizes is None:
        return None
    places = (sizes.mft_offset, sizes.mirror_offset)
    proven = any(reader.peek(place, 4) == FILE_SIGNATURE for place in places)
    reader.unread.clear()
    return NtfsVolume(reader, boot, sizes, proven)


@dataclass(frozen=True, slots=True)
class NtfsVolume:
    """A window that starts with an NTFS boot sector."""

    reader: Reader
    boot: Record
    sizes: Geometry
    proven: bool

    @property
    def kind(self) -> str:
        """`ntfs`."""
        return "ntfs"

    def describe(self) -> Filesystem:
        """Read label, version, state, free space and the backup boot sector."""
        sizes, reader = self.sizes, self.reader
        records = Records(
            reader.window,
            sizes.record_bytes,
            sizes.cluster_bytes,
            sizes.mft_offset,
            sizes.mirror_offset,
            sizes.clusters,
        )
        reader.attempt("$MFT run list", records.load)
        label = reader.attempt("$VOLUME_NAME", lambda: self._label(records))
        information = reader.attempt("$VOLUME_INFORMATION", lambda: self._information(records))
        flags = information.number("flags") if information else 0
        free = self._free(records)
        log, log_position = self._log(records) or (None, None)
        emptied = bool(flags & _DIRTY) and log == "empty"
        for number, reason in dict(records.fallbacks).items():
            reader.note(say("file record {number} (read from $MFTMirr)", number=number), reason)
        boot = reader.read(0, sizes.sector_bytes, "boot sector")
        return Filesystem(
            kind=self.kind,
            label=label or None,
            id=f"{self.boot.number('serial'):016X}",
            version=_version(information),
            sector_bytes=sizes.sector_bytes,
            cluster_bytes=sizes.cluster_bytes,
            size_bytes=sizes.size_bytes,
            used_bytes=None if free is None else (sizes.clusters - free) * sizes.cluster_bytes,
            free_bytes=None if free is None else free * sizes.cluster_bytes,
            clean=None if information is None else not flags & _UNCLEAN,
            state=(*_words(flags), *(("log-emptied",) if emptied else ())),
            log=log,
            log_position=log_position,
            hidden_sectors=self.boot.number("hidden_sectors"),
            resized=bool(flags & _RESIZE_LOG) or emptied,
            backup=None if boot is None else self._backup(boot),
            boot_sector_digest=None if boot is None else _digest(boot),
            features=("no-short-names",) if flags & _NO_SHORT_NAMES else (),
            unread=tuple(reader.unread),
        )

    def _label(self, records: Records) -> str:
        name = records.value(_VOLUME, _VOLUME_NAME_TYPE) or b""
        return name.decode("utf-16-le", "replace")

    def _information(self, records: Records) -> Record:
        value = records.value(_VOLUME, _VOLUME_INFORMATION_TYPE) or b""
        return VOLUME_INFORMATION.parse(value)

    def _free(self, records: Records) -> int | None:
        """Count the free clusters in $Bitmap; bits past the last cluster do not count."""
        reader, clusters = self.reader, self.sizes.clusters
        bitmap = reader.attempt("$Bitmap run list", lambda: records.stream(_BITMAP))
        if bitmap is None:
            return None
        needed = -(-clusters // BITS)
        if needed > reader.window.size_bytes:
            reader.note(
                "$Bitmap",
                say("{needed} bytes of it are more than the partition holds", needed=needed),
            )
            return None
        if bitmap.value is not None:
            free = zero_bits([bitmap.value], clusters)
        else:
            places = reader.attempt("$Bitmap", lambda: bitmap.located(0, needed))
            free = None if places is None else zero_bits(reader.pieces(places, "$Bitmap"), clusters)
        if free is None and not any(item.what == "$Bitmap" for item in reader.unread):
            reader.note(
                "$Bitmap", say("it is shorter than its {count} clusters need", count=clusters)
            )
        return free

    def _log(self, records: Records) -> tuple[Log, int | None] | None:
        """Return what $LogFile says; emptied on a dirty volume, a resizer has been there.

        # GUESS: seen after ntfsresize; another tool that empties the log of a volume which was
        dirty before leaves the same traces.
        """
        return self.reader.attempt("$LogFile", lambda: log_state(self.reader.window, records))

    def _backup(self, boot: bytes) -> Backup:
        """Find the backup boot sector where the volume, or the partition, ends."""
        sizes, size = self.sizes, self.reader.window.size_bytes
        sector = sizes.sector_bytes
        # SPEC: libfsntfs: the last sector of the cluster that follows the last one; often that
        # is the sector after the last counted one, but not always.
        places = {
            sizes.size_bytes: say("the sector after the last counted one"),
            (sizes.clusters + 1) * sizes.cluster_bytes - sector: say("the end of the next cluster"),
            (size // sector - 1) * sector: say("the partition's last sector"),
        }
        found = [
            self._compared(boot, offset, place)
            for offset, place in places.items()
            if 0 < offset <= size - sector
        ]
        order = ("same", "moved_only", "differs", "unread", "missing")
        missing = Backup(
            place=say("the sector after the last counted one"),
            offset=sizes.size_bytes,
            state="missing",
            detail=say("its place lies outside the partition")
            if sizes.size_bytes >= size
            else None,
        )
        return min((*found, missing), key=lambda backup: order.index(backup.state))

    def _compared(self, boot: bytes, offset: int, place: str) -> Backup:
        try:
            copy = self.reader.window.read(offset, len(boot))
        except UNREADABLE as error:
            return Backup(place=place, offset=offset, state="unread", detail=str(error))
        if copy == boot:
            return Backup(place=place, offset=offset, state="same")
        if copy[3:11] != SIGNATURE:
            return Backup(place=place, offset=offset, state="missing")
        if masked(copy, _HIDDEN_SECTORS) == masked(boot, _HIDDEN_SECTORS):
            hidden = BOOT_SECTOR.parse(copy).number("hidden_sectors")
            return Backup(
                place=place,
                offset=offset,
                state="moved_only",
                detail=say("hidden sectors {count}", count=hidden),
            )
        return Backup(place=place, offset=offset, state="differs")


def _digest(boot: bytes) -> str:
    return blake3(masked(boot, _HIDDEN_SECTORS)).hexdigest()


def _version(information: Record | None) -> str | None:
    if information is None:
        return None
    return f"{information.number('major_version')}.{information.number('minor_version')}"


def _words(flags: int) -> tuple[str, ...]:
    return tuple(
        word for bit, word in VOLUME_FLAGS.items() if flags & bit and bit != _NO_SHORT_NAMES
    )
