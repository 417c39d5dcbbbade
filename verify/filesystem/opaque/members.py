"""Members of a software or controller RAID set: one drive's share of something larger."""

from __future__ import annotations

import uuid
from dataclasses import replace
from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import Described, Reader
from verify.filesystem.checksums import md_checksum
from verify.filesystem.description import Filesystem
from verify.filesystem.opaque.ldm import recognise_ldm_drive
from verify.filesystem.searched import NotingDrive
from verify.structs.opaque import ISW, ISW_DISK_BYTES, MD, MD_MAGIC, MD_OLD

if TYPE_CHECKING:
    from verify.source.window import Window

_SECTOR = 512
_SECOND_PLACE = 4096
_OLD_RESERVED = 65536
_MOST_ROLES = 1920
"""An md superblock of version 1 fills 4 KiB at most: 256 bytes, and two a role."""

_CHECKSUM_OFFSET = 216
_ISW_SIGNATURE = b"Intel Raid ISM Cfg Sig. "
_DDF_SIGNATURES = (b"\xde\x11\xde\x11", b"\x11\xde\x11\xde")
"""SNIA, Common RAID Disk Data Format 2.0, anchor header (from memory), in both byte orders."""


def recognise_md(window: Window) -> Described | None:
    """A member of a Linux md set; what shows at its start is the set's, or a part of it."""
    return _recognise_md(window) or _recognise_old_md(window)


def _recognise_md(window: Window) -> Described | None:
    reader = Reader(window)
    sectors = window.size_bytes // _SECTOR
    # SPEC: Linux drivers/md/md.c, super_1_load: 1.0 at the end, 1.1 at the start, 1.2 at 4 KiB.
    for minor, offset in ((0, (sectors - 16 & ~7) * _SECTOR), (1, 0), (2, _SECOND_PLACE)):
        data = reader.peek(offset, MD.size) if offset >= 0 else b""
        block = MD.parse(data, offset) if data else None
        if (
            block is None
            or block.number("magic") != MD_MAGIC
            or block.number("major_version") != 1
            or block.number("super_offset") * _SECTOR != offset
            or block.number("max_dev") > _MOST_ROLES
        ):
            continue
        whole = reader.peek(offset, MD.size + 2 * block.number("max_dev"))
        # NOTE: an odd number of roles leaves two bytes, which are added as they stand.
        checksum = md_checksum(whole, _CHECKSUM_OFFSET)
        name = block.raw("set_name").split(b"\0")[0].decode("utf-8", "replace")
        return Described(
            Filesystem(
                kind="md-raid",
                label=name or None,
                id=str(uuid.UUID(bytes=block.raw("set_uuid"))).upper(),
                version=f"1.{minor}",
                features=(
                    f"level-{block.number('level')}",
                    f"devices-{block.number('raid_disks')}",
                ),
            ),
            proven=checksum == block.number("sb_csum"),
        )
    return None


def _recognise_old_md(window: Window) -> Described | None:
    """Version 0.90 stands in the last whole 64 KiB that has 64 KiB behind its start."""
    reader = Reader(window)
    offset = window.size_bytes // _OLD_RESERVED * _OLD_RESERVED - _OLD_RESERVED
    data = reader.peek(offset, MD_OLD.size) if offset >= 0 else b""
    block = MD_OLD.parse(data, offset) if data else None
    if block is None or block.number("magic") != MD_MAGIC or block.number("major_version"):
        return None
    identifier = block.raw("set_uuid0") + block.raw("set_uuid_rest")
    return Described(
        Filesystem(
            kind="md-raid",
            id=str(uuid.UUID(bytes=identifier)).upper(),
            version=f"0.{block.number('minor_version')}",
            features=(
                f"level-{block.number('level')}",
                f"devices-{block.number('raid_disks')}",
            ),
        ),
        proven=block.number("minor_version") == 90,  # noqa: PLR2004 - its number
    )


def recognise_isw(window: Window) -> Described | None:
    """A member of a set of Intel's firmware RAID, which signs the last sector but one."""
    # SPEC: libblkid, superblocks/isw_raid.c; what follows the signature: mdadm, super-intel.c.
    offset = window.size_bytes // _SECTOR * _SECTOR - 2 * _SECTOR
    data = Reader(window).peek(offset, _SECTOR) if offset >= 0 else b""
    if not data.startswith(_ISW_SIGNATURE):
        return None
    block = ISW.parse(data)
    version = block.raw("signature")[len(_ISW_SIGNATURE) :].split(b"\0")[0]
    count = block.number("num_disks")
    places = range(ISW.size, len(data) - ISW_DISK_BYTES + 1, ISW_DISK_BYTES)
    serials = (data[at : at + 16].strip(b"\0 ").decode("ascii", "replace") for at in places)
    return Described(
        Filesystem(
            kind="isw-raid",
            version=version.decode("ascii", "replace").strip() or None,
            features=(f"devices-{count}",),
            members=tuple(serial for serial, _ in zip(serials, range(count), strict=False)),
        )
    )


def recognise_ddf(window: Window) -> Described | None:
    """A member of a set of a controller that keeps its metadata in the common format (SNIA DDF)."""
    offset = window.size_bytes // _SECTOR * _SECTOR - _SECTOR
    data = Reader(window).peek(offset, _SECTOR) if offset >= 0 else b""
    if data[:4] not in _DDF_SIGNATURES:
        return None
    identifier = data[8:32].decode("ascii", "replace").strip("\0 ")
    return Described(Filesystem(kind="ddf-raid", id=identifier or None))


def recognise_whole(window: Window) -> Filesystem | None:
    """Return the set that a whole drive belongs to by metadata outside its partitions.

    `None`: to none; of kind `unknown` where that could not be read.
    """
    steps = (
        _recognise_md,
        _recognise_old_md,
        recognise_isw,
        recognise_ddf,
        recognise_ldm_drive,
    )
    noting = NotingDrive(window.drive)
    bounded = replace(window, drive=noting)
    found = (item for step in steps if (item := noting.search(step, bounded)) and item.proven)
    first = next(found, None)
    described = first.describe() if first else None
    missed = noting.missed(window.start)
    return replace(described or Filesystem(kind="unknown"), unread=missed) if missed else described
