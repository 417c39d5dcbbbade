"""Refusing one partition where a whole drive belongs, before anything takes hours to read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import OnePartition, UsageError
from verify.manifest.header import scope_of
from verify.structs.mbr import BOOT_RECORD_BYTES
from verify.table.recognise import recorded_start
from verify.table.sectors import peek
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.filesystem.description import Filesystem
    from verify.manifest.header import GivenAs
    from verify.source.drive import Drive
    from verify.table.partition_table import Table


def boot_sector_start(drive: Drive, table: Table) -> int | None:
    """Return where the boot sector in sector 0 says that it lies; `None` where a table decides."""
    return None if table.scheme != "none" else recorded_start(peek(drive, 0, BOOT_RECORD_BYTES))


def hold_scope(
    drive: Drive,
    table: Table,
    filesystems: Iterable[Filesystem] = (),
    given_as: GivenAs | None = None,
) -> None:
    """Hold that what was handed in is what it was handed in as: a whole drive, or one partition.

    Raises:
        OnePartition: it is one partition, and nobody said so.
        UsageError: it was said to be one partition, and is a whole drive.
    """
    starts = (boot_sector_start(drive, table), *(item.hidden_sectors for item in filesystems))
    start = next((item for item in starts if item), None)
    part = drive.identity.part_of
    scope = scope_of(
        part, drive.identity.bus, table, given_as=None, records_start=start is not None
    )
    if scope == "partition" and given_as != "partition":
        number = None if part is None else part.number
        raise OnePartition(drive.name, None if part is None else part.path, number, start)
    if scope == "drive" and given_as == "partition":
        raise UsageError(
            say("{drive}: is a whole drive, with a partition table.", drive=drive.name),
            say("Leave out --one-partition."),
        )
