"""Describing a drive: its table, a filesystem a partition, and what stands outside of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.boot.boot_record import BootCode, GrubCore
from verify.boot.bootcode import read_mbr_code
from verify.boot.grub_core import SECTOR_BYTES, is_grub, read_core
from verify.capture.foreign import refuse_foreign
from verify.capture.remains import find_remains
from verify.capture.scope import boot_sector_start, hold_scope
from verify.errors import SourceUnreadable
from verify.filesystem.description import Filesystem, Unread
from verify.filesystem.opaque.members import recognise_whole
from verify.filesystem.recognise import recognise
from verify.source.drive import Drive
from verify.source.window import Beginning, Window
from verify.table.partition_table import PartitionEntry, Table
from verify.table.read import read_table
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verify.capture.options import CaptureOptions

_BOOT_SECTOR_BYTES = 512
_MARK_BYTES = 64 << 10
_UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class DescribedPartition:
    """A partition by its table, what lies in it, and where: cut where the drive ends."""

    entry: PartitionEntry
    filesystem: Filesystem
    window: Window


@dataclass(frozen=True, slots=True)
class DescribedDrive:
    """A drive's table and its partitions, in the table's order."""

    drive: Drive
    table: Table
    partitions: tuple[DescribedPartition, ...]

    def as_in(self, snapshots: Mapping[int, Filesystem]) -> DescribedDrive:
        """Return the drive with the filesystems of some partitions as snapshots of them have it."""
        partitions = tuple(
            replace(item, filesystem=snapshots.get(item.entry.number, item.filesystem))
            for item in self.partitions
        )
        return replace(self, partitions=partitions)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsidePartitions:
    """What is recorded of a drive outside its partitions, once these were read."""

    changed_while_read: bool
    boot_sector_start: int | None
    boot_code: BootCode | None
    grub: list[GrubCore]
    whole_drive: Filesystem | None
    remains: list[dict[str, object]]
    unread: list[Unread]


def describe_drive(drive: Drive, options: CaptureOptions) -> DescribedDrive:
    """Read the table, and recognise what lies in each partition.

    Raises:
        SourceError: the drive went away, or is of an unsupported kind.
        OnePartition, UsageError: it is not what it was given as.
    """
    padding = drive.image.padding_bytes if drive.image else 0
    unpadded = Beginning(drive, drive.size_bytes - padding) if padding else drive
    table = read_table(unpadded, sector_bytes=drive.sector_bytes, sector_known=drive.sector_known)
    if not drive.sector_known:
        drive.sector_bytes = table.sector_bytes
    partitions = tuple(_partition(drive, table, entry) for entry in table.partitions)
    filesystems = [item.filesystem for item in partitions]
    refuse_foreign(drive, table, [filesystem.kind for filesystem in filesystems])
    if not options.looking:
        hold_scope(drive, table, filesystems, options.given_as)
    return DescribedDrive(drive, table, partitions)


def _partition(drive: Drive, table: Table, entry: PartitionEntry) -> DescribedPartition:
    start = entry.start_lba * table.sector_bytes
    size = min(entry.sectors * table.sector_bytes, max(0, drive.size_bytes - start))
    if table.scheme == "none":
        size = drive.size_bytes
    window = Window(drive, start, size, table.sector_bytes)
    if entry.container:
        return DescribedPartition(entry, Filesystem(kind="extended"), window)
    if not size:
        return DescribedPartition(entry, Filesystem(kind="unknown"), window)
    return DescribedPartition(entry, recognise(window, type_code=entry.type), window)


def describe_outside(
    described: DescribedDrive, mark: str, places: tuple[int, ...]
) -> OutsidePartitions:
    """Look at what lies outside the partitions; `mark`: that of the drive before it was read.

    `places`: where partitions of the other drive begin, in bytes.
    """
    drive, table = described.drive, described.table
    unread: list[Unread] = []
    changed = _has_changed(mark, mark_of(drive), unread)
    start = boot_sector_start(drive, table)
    return OutsidePartitions(
        changed_while_read=changed,
        boot_sector_start=start,
        boot_code=_boot_code(drive, table, unread),
        grub=_grub(drive, table),
        whole_drive=_whole_drive(drive, table),
        remains=find_remains(drive, table, places),
        unread=unread,
    )


def mark_of(drive: Drive) -> str:
    """Return a digest of both ends of the drive, where its tables stand."""
    hasher = blake3()
    length = min(_MARK_BYTES, drive.size_bytes)
    try:
        for offset in (0, drive.size_bytes - length):
            hasher.update(drive.read_at(offset, length))
    except SourceUnreadable:
        return _UNREADABLE
    return hasher.hexdigest()


def _has_changed(before: str, after: str, unread: list[Unread]) -> bool:
    """Whether the ends of the drive read otherwise than they did; what fails is no change."""
    if _UNREADABLE in (before, after):
        reason = say("an end of the drive cannot be read")
        unread.append(Unread(what=say("changes while it was read"), reason=reason))
        return False
    return after != before


def _boot_code(drive: Drive, table: Table, unread: list[Unread]) -> BootCode | None:
    """Return what is recorded of the machine code in sector 0, where a table stands there."""
    if table.scheme == "none":
        return None
    try:
        return read_mbr_code(drive.read_at(0, _BOOT_SECTOR_BYTES))
    except SourceUnreadable:
        unread.append(Unread(what=say("boot code"), reason=say("sector 0 cannot be read")))
        return None


def _grub(drive: Drive, table: Table) -> list[GrubCore]:
    """Return what the boot sectors of GRUB start: sector 0's, then those of partitions."""
    places = {0: 0} if table.scheme != "none" else {}
    for entry in table.partitions:
        if not entry.container and entry.number:
            places[entry.number] = entry.start_lba * table.sector_bytes
    found = []
    for place, offset in places.items():
        if offset + SECTOR_BYTES > drive.size_bytes:
            continue
        try:
            sector = drive.read_at(offset, SECTOR_BYTES)
        except SourceUnreadable:
            continue  # NOTE: recorded with the drive's unreadable sectors
        if is_grub(sector):
            found.append(read_core(sector, place, drive.read_at, drive.size_bytes))
    return found


def _whole_drive(drive: Drive, table: Table) -> Filesystem | None:
    """Describe the set that the drive belongs to by what stands outside its partitions."""
    if table.scheme == "none":
        return None  # NOTE: then its one partition is the drive, and says it itself
    return recognise_whole(Window(drive, 0, drive.size_bytes, table.sector_bytes))
