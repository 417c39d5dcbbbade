"""Dynamic disks (LDM): which group of disks a drive belongs to, by the group's own database.

Each disk of a group has the whole database: 1 MiB at its end on an MBR drive, the LDM metadata
partition on a GPT drive. Sources: Linux, block/partitions/ldm.c and ldm.h; for GPT, libldm,
src/ldm.c (the last sector of that partition is a private header).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import Described, Reader
from verify.filesystem.description import Filesystem
from verify.structs.opaque import LDM_DATABASE, LDM_HEADER, LDM_RECORD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.source.window import Window

_SECTOR = 512
_HEADER_SECTOR = 6
_DATABASE_SECTOR = 17
_DISK_RECORDS = frozenset({0x34, 0x44})
_MOST_RECORDS = 16_384
"""The database is 1 MiB, a record 128 bytes."""


def recognise_ldm_drive(window: Window) -> Described | None:
    """A whole MBR drive, which has a private header in sector 6."""
    header = Reader(window).peek(_HEADER_SECTOR * _SECTOR, LDM_HEADER.size)
    return _described(window, header, None)


def recognise_ldm_metadata(window: Window) -> Described | None:
    """The LDM metadata partition of a GPT drive, which is the database."""
    last = window.size_bytes // _SECTOR * _SECTOR - _SECTOR
    header = Reader(window).peek(last, LDM_HEADER.size) if last >= 0 else b""
    return _described(window, header, 0)


def _described(window: Window, header: bytes, start: int | None) -> Described | None:
    """Describe the group; `start`: byte of the database, `None` for where the header says."""
    if not header.startswith(b"PRIVHEAD"):
        return None
    own = LDM_HEADER.parse(header)
    if start is None:
        start = own.number("config_start") * _SECTOR
    reader = Reader(window)
    at = start + _DATABASE_SECTOR * _SECTOR
    data = reader.peek(at, LDM_DATABASE.size)
    group = LDM_DATABASE.parse(data, at) if data.startswith(b"VMDB") else None
    if group is None:
        return Described(Filesystem(kind="ldm", id=_text(own.raw("group_guid"))))
    first, size = at + group.number("record_offset"), group.number("record_bytes")
    count = min(group.number("last_record"), _MOST_RECORDS)
    disks = tuple(_disks(reader, first, size, count)) if size >= LDM_RECORD.size else ()
    return Described(
        Filesystem(
            kind="ldm",
            label=_text(group.raw("group_name")),
            id=_text(group.raw("group_guid")),
            features=(f"devices-{group.number('disks')}",),
            members=disks,
        )
    )


def _disks(reader: Reader, first: int, size: int, count: int) -> Iterator[str]:
    """Yield the names of the group's disks, each kept in the first part of its record.

    SPEC: behind the record's head stand its identifier and its name, each behind its length.
    """
    for at in range(first, first + count * size, size):
        data = reader.peek(at, size)
        if not data.startswith(b"VBLK"):
            continue
        record = LDM_RECORD.parse(data, at)
        if record.number("part") or record.number("type") not in _DISK_RECORDS:
            continue
        name_at = LDM_RECORD.size + 1 + data[LDM_RECORD.size]
        if name_at < size:
            name = data[name_at + 1 : name_at + 1 + data[name_at]]
            yield name.decode("ascii", "replace")


def _text(value: bytes) -> str | None:
    return value.split(b"\0")[0].decode("ascii", "replace").strip() or None
