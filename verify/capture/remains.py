"""What is left on a drive whose table names no partition: filesystems, where some would begin.

It is looked for at the places that the other drive's table names, at the two usual places of a
first partition (sector 63 and 1 MiB: common practice), and behind each filesystem that is found.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import WitnessError
from verify.filesystem.recognise import recognise
from verify.manifest.file import is_manifest, open_manifest
from verify.source.drive import open_drive
from verify.source.window import Window
from verify.table.read import read_table
from verify.table.recognise import volume_at
from verify.units import MIB

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.source.drive import Drive
    from verify.table.partition_table import Table

_USUAL = (63 * 512, MIB)
_MOST_PLACES = 256
"""No layout has more partitions than two tables of 128 entries."""


def places_on(path: str) -> tuple[int, ...]:
    """Return where the partitions of another drive begin, in bytes; nothing if it cannot be read.

    `path`: a device, an image or a manifest.
    """
    try:
        if is_manifest(path):
            table = open_manifest(path).header.table
        else:
            with open_drive(path, retries=0) as drive:
                known = drive.sector_known
                table = read_table(drive, sector_bytes=drive.sector_bytes, sector_known=known)
    except WitnessError:
        return ()  # NOTE: whoever reads that side tells why
    starts = (item.start_lba * table.sector_bytes for item in table.partitions)
    return tuple(start for start in starts if start)


def find_remains(drive: Drive, table: Table, places: Iterable[int]) -> list[dict[str, object]]:
    """Return the filesystems on a drive whose table names no partition; else nothing.

    A filesystem over the whole drive is no remnant, and neither is what lies inside it.

    Raises:
        SourceVanished: the drive is gone.
    """
    named = [item for item in table.partitions if item.number and not item.container]
    if named or volume_at(drive, 0) is not None:
        return []
    waiting, seen = sorted({*_USUAL, *places}), set[int]()
    found: list[dict[str, object]] = []
    while waiting and len(seen) < _MOST_PLACES:
        start = waiting.pop(0)
        if start in seen or not 0 < start < drive.size_bytes:
            continue
        seen.add(start)
        volume = volume_at(drive, start)
        if volume is None:
            continue
        size = min(volume.size_bytes or drive.size_bytes, drive.size_bytes - start)
        described = recognise(Window(drive, start, size, table.sector_bytes))
        kind = volume.kind if described.kind == "unknown" else described.kind
        found.append({"start_bytes": start, "kind": kind, "id": described.id})
        if volume.size_bytes:
            waiting.append(-(-(start + volume.size_bytes) // MIB) * MIB)
    return sorted(found, key=lambda item: int(str(item["start_bytes"])))
