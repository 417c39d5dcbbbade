"""The table of an attached drive, read where this user may read it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from verify.errors import WitnessError
from verify.filesystem.recognise import recognise
from verify.platforms.running_machine import SeenPartition, SeenTable
from verify.source.drive import open_drive
from verify.source.window import Window
from verify.table.read import read_table

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem
    from verify.platforms.running_machine import SeenDrive
    from verify.source.drive import Drive
    from verify.table.partition_table import PartitionEntry, Table


def with_table(drive: SeenDrive) -> SeenDrive:
    """Return the drive with its table, or with why it was not opened or read."""
    try:
        return replace(drive, table=_read(drive.path, filesystems=False))
    except WitnessError as error:
        return replace(drive, not_opened=str(error))


def with_filesystems(drive: SeenDrive) -> SeenDrive:
    """Return the drive with its table, and what its partitions say of themselves.

    Raises:
        SourceError: it cannot be read.
    """
    return replace(drive, table=_read(drive.path, filesystems=True), not_opened=None)


def _read(path: str, *, filesystems: bool) -> SeenTable:
    with open_drive(path) as drive:
        table = read_table(drive, sector_bytes=drive.sector_bytes, sector_known=drive.sector_known)
        if not drive.sector_known:
            drive.sector_bytes = table.sector_bytes
        return SeenTable(
            scheme=table.scheme,
            disk_id=table.disk_id,
            partitions=tuple(
                _partition(drive, table, entry, filesystems=filesystems)
                for entry in table.partitions
            ),
        )


def _partition(
    drive: Drive, table: Table, entry: PartitionEntry, *, filesystems: bool
) -> SeenPartition:
    seen = SeenPartition(
        number=entry.number,
        start_bytes=entry.start_lba * table.sector_bytes,
        size_bytes=entry.sectors * table.sector_bytes,
        type=entry.type,
        guid=entry.guid,
    )
    found = _filesystem(drive, table, entry) if filesystems and not entry.container else None
    if found is None:
        return seen
    return replace(
        seen, filesystem=found.kind, filesystem_id=found.id, filesystem_bytes=found.size_bytes
    )


def _filesystem(drive: Drive, table: Table, entry: PartitionEntry) -> Filesystem | None:
    start = 0 if table.scheme == "none" else entry.start_lba * table.sector_bytes
    wanted = drive.size_bytes if table.scheme == "none" else entry.sectors * table.sector_bytes
    size = min(wanted, drive.size_bytes - start)
    if size <= 0:
        return None
    return recognise(Window(drive, start, size, table.sector_bytes), type_code=entry.type)
