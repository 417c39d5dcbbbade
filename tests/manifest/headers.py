"""Small headers for tests of the manifest's file."""

from __future__ import annotations

from verify.filesystem.description import Filesystem
from verify.manifest.header import CaptureInfo, DriveInfo, Header, Partition
from verify.manifest.partition_contents import Listing
from verify.table.partition_table import Table


def small_header() -> Header:
    """Return the header of a drive with one partition that was listed."""
    return Header(
        depth="sample",
        drive=DriveInfo(path="old.img", kind="image", size_bytes=1 << 20, sector_bytes=512),
        table=Table(scheme="none", disk_id=None, sector_bytes=512),
        partitions=(
            Partition(
                number=0,
                start_lba=0,
                sectors=2048,
                type="",
                filesystem=Filesystem(kind="ext4"),
                listing=Listing(files=2, folders=1, bytes=30),
            ),
        ),
        capture=CaptureInfo(
            tool_version="0", started=0, ended=1, host="bench", seed="s", confidence=0.95
        ),
    )
