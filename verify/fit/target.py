"""What the old drive is to go onto: a size that was typed, or a drive that is there."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from verify.capture.scope import hold_scope
from verify.errors import OnePartition, UsageError
from verify.fit.capacity import Capacity, grain_bytes, is_number, is_size, parse_size
from verify.manifest.file import is_manifest, open_manifest
from verify.source.drive import open_drive
from verify.table.read import read_table
from verify.text.message import say

if TYPE_CHECKING:
    from verify.manifest.header import Header


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A capacity by the name it was given; `path` and `scheme` where it is a drive that was read.

    `scheme`: the table that is on it now. `grain`: bytes that starts are multiples of.
    """

    name: str
    capacity: Capacity
    grain: int
    path: str | None = None
    scheme: Literal["gpt", "mbr", "none"] | None = None


def find_target(text: str, source: Header, sector_bytes: int | None = None) -> Target:
    """Return what a text names: a size, a manifest, a device or an image.

    `sector_bytes`: the target's, where it is known; a size and an image have those of the source's
    table otherwise.

    Raises:
        UsageError: an invalid size, or the old drive itself.
        OnePartition: one partition, of which no drive's size can be told.
        SourceError, ManifestError: a drive or manifest that cannot be used.
    """
    sector = sector_bytes or source.table.sector_bytes
    if is_size(text) or (is_number(text) and not Path(text).exists()):
        capacity = parse_size(text, sector)
        return Target(name=text, capacity=capacity, grain=grain_bytes(None))
    if is_manifest(text):
        header = open_manifest(text).header
        if header.scope == "partition":
            raise OnePartition(text)
        _hold_other(text, header.drive.file_id, source)
        known = header.drive.kind == "device" or header.table.scheme != "none"
        sector = header.drive.sector_bytes if known and sector_bytes is None else sector
        return _drive(text, header.drive.size_bytes, sector, header.table.scheme, None)
    with open_drive(text) as drive:
        _hold_other(text, drive.identity.file_id, source)
        table = read_table(drive, sector_bytes=drive.sector_bytes, sector_known=drive.sector_known)
        hold_scope(drive, table)
        if sector_bytes is None and (drive.sector_known or table.scheme != "none"):
            sector = drive.sector_bytes if drive.sector_known else table.sector_bytes
        optimal = drive.identity.optimal_io_bytes
        return _drive(text, drive.size_bytes, sector, table.scheme, optimal)


def _drive(
    path: str,
    size: int,
    sector: int,
    scheme: Literal["gpt", "mbr", "none"],
    optimal: int | None,
) -> Target:
    capacity = Capacity(size_bytes=size - size % sector, sector_bytes=sector)
    grain = grain_bytes(optimal)
    return Target(name=path, capacity=capacity, grain=grain, path=path, scheme=scheme)


def _hold_other(path: str, file_id: str | None, source: Header) -> None:
    if file_id is not None and file_id == source.drive.file_id:
        raise UsageError(
            say("{path}: is the old drive itself.", path=path),
            say("Name the new drive, or a size."),
        )
