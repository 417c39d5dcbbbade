"""Faults for tests: each function changes exactly one thing about an image file, in place.

Functions about partitions take the partition's number in the table. All of them expect a GPT as
`tests.support.images` or the demo's builder writes it, but for those that say MBR.
"""

from __future__ import annotations

import os
import struct
from dataclasses import replace
from typing import TYPE_CHECKING

from fixtures import ntfs_bytes
from tests.support.images import read_gpt, run, write_gpt

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.support.images import GptTable
    from tests.table.layouts import Entry

OTHER_DISK = "0DD0C0DE-1111-4000-8000-0000000000D1"
OTHER_PARTITION = "0DD0C0DE-1111-4000-8000-0000000000D2"


def drop_attributes(image: Path, number: int) -> None:
    """Clear a partition's attributes."""
    _change_entry(image, number, lambda entry: replace(entry, attributes=0))


def set_type(image: Path, number: int, kind: str) -> None:
    """Give a partition another type."""
    _change_entry(image, number, lambda entry: replace(entry, type=kind))


def new_partition_guid(image: Path, number: int, guid: str = OTHER_PARTITION) -> None:
    """Give a partition another unique GUID."""
    _change_entry(image, number, lambda entry: replace(entry, guid=guid))


def new_disk_guid(image: Path, guid: str = OTHER_DISK) -> None:
    """Give the disk another GUID."""
    write_gpt(image, replace(read_gpt(image), disk_guid=guid))


def remove_partition(image: Path, number: int) -> None:
    """Take a partition out of the table; its bytes stay."""
    table = read_gpt(image)
    del table.entries[number]
    write_gpt(image, table)


def renumber(image: Path, first: int, second: int) -> None:
    """Swap two entries of the table; nothing moves on the drive."""
    table = read_gpt(image)
    entries = table.entries
    entries[first], entries[second] = entries[second], entries[first]
    write_gpt(image, table)


def swap_partition_order(image: Path, first: int, second: int) -> None:
    """Swap two partitions on the drive, `first` lying before `second` with none between."""
    table = read_gpt(image)
    one, two = table.entries[first], table.entries[second]
    length = two.last - two.first + 1
    content = {number: _read(image, table, number) for number in (first, second)}
    table.entries[second] = replace(two, first=one.first, last=one.first + length - 1)
    behind = one.first + length
    table.entries[first] = replace(one, first=behind, last=behind + one.last - one.first)
    write_gpt(image, table)
    for number, data in content.items():
        write_bytes(image, table.offset(number), data)


def shift_start(image: Path, number: int, sectors: int) -> None:
    """Move a partition with its bytes by some sectors; there must be room."""
    table = read_gpt(image)
    content, entry = _read(image, table, number), table.entries[number]
    write_bytes(image, table.offset(number), bytes(len(content)))
    table.entries[number] = replace(entry, first=entry.first + sectors, last=entry.last + sectors)
    write_gpt(image, table)
    write_bytes(image, table.offset(number), content)


def shrink_entry(image: Path, number: int, sectors: int) -> None:
    """Let a partition end earlier than its filesystem does."""
    _change_entry(image, number, lambda entry: replace(entry, last=entry.last - sectors))


def overlap_next(image: Path, number: int, sectors: int) -> None:
    """Let a partition run into the one behind it."""
    _change_entry(image, number, lambda entry: replace(entry, last=entry.last + sectors))


def zero_partition(image: Path, number: int) -> None:
    """Overwrite a partition with zeros; its entry stays."""
    table = read_gpt(image)
    write_bytes(image, table.offset(number), bytes(table.size(number)))


def leave_backup_behind(image: Path, more_bytes: int) -> None:
    """Make the drive larger than its table knows: the backup is in the middle now."""
    truncate(image, image.stat().st_size + more_bytes)


def wipe_backup_gpt(image: Path) -> None:
    """Zero the backup header and its entries."""
    table = read_gpt(image)
    unit, room = table.sector_bytes, 16_384 // table.sector_bytes
    write_bytes(image, (table.sectors - 1 - room) * unit, bytes((room + 1) * unit))


def damage_primary_crc(image: Path) -> None:
    """Flip one bit of the primary header's stored CRC."""
    flip_byte(image, read_gpt(image).sector_bytes + 16, mask=0x01)


def damage_primary_entries(image: Path) -> None:
    """Flip one bit of the last, unused entry of the primary array: its CRC is wrong now."""
    flip_byte(image, 2 * read_gpt(image).sector_bytes + 127 * 128, mask=0x01)


def damage_backup_crc(image: Path) -> None:
    """Flip one bit of the backup header's stored CRC."""
    table = read_gpt(image)
    flip_byte(image, (table.sectors - 1) * table.sector_bytes + 16, mask=0x01)


def set_ntfs_dirty(image: Path, number: int) -> None:
    """Mark an NTFS volume as one to be checked."""
    ntfs_bytes.set_dirty(image, read_gpt(image).offset(number))


def set_ntfs_hidden_sectors(image: Path, number: int, hidden: int) -> None:
    """Write other hidden sectors into an NTFS boot sector and its copy."""
    table = read_gpt(image)
    ntfs_bytes.set_hidden_sectors(image, hidden, table.offset(number), table.size(number))


def damage_file(image: Path, content: bytes, count: int = 16) -> int:
    """Invert bytes in the middle of a file, found by its content; size and times stay.

    Returns:
        Their place in bytes.
    """
    middle = len(content) // 2
    wanted = content[middle : middle + count]
    at = image.read_bytes().find(wanted)
    assert at >= 0, "the file does not lie in the image in one piece"
    change_file_bytes(image, at, count)
    return at


def change_file_bytes(image: Path, offset: int, count: int = 16) -> None:
    """Invert bytes at a place, whatever lies there."""
    with image.open("r+b") as file:
        file.seek(offset)
        before = file.read(count)
        file.seek(offset)
        file.write(bytes(byte ^ 0xFF for byte in before))


def delete_fat_path(image: Path, number: int, path: str) -> None:
    """Delete a file or a folder of a FAT partition, by `mdeltree`."""
    run("mdeltree", "-i", f"{image}@@{read_gpt(image).offset(number)}", f"::/{path}")


def delete_ext_path(image: Path, number: int, path: str) -> None:
    """Delete a file of an ext partition, by `debugfs`."""
    where = f"{image}?offset={read_gpt(image).offset(number)}"
    run("debugfs", "-w", "-R", f'rm "/{path}"', where)


def truncate(image: Path, size: int) -> None:
    """Give an image another length."""
    os.truncate(image, size)


def flip_byte(image: Path, offset: int, mask: int = 0xFF) -> None:
    """Flip bits of one byte."""
    with image.open("r+b") as file:
        file.seek(offset)
        (byte,) = file.read(1)
        file.seek(offset)
        file.write(bytes([byte ^ mask]))


def write_bytes(image: Path, offset: int, data: bytes) -> None:
    """Write bytes at a place."""
    with image.open("r+b") as file:
        file.seek(offset)
        file.write(data)


def clear_active(image: Path) -> None:
    """MBR: let no partition be active."""
    for slot in range(4):
        write_bytes(image, 446 + 16 * slot, b"\0")


def new_signature(image: Path, signature: int = 0x0DD0C0DE) -> None:
    """MBR: give the disk another signature."""
    write_bytes(image, 440, struct.pack("<I", signature))


def _change_entry(image: Path, number: int, change: Callable[[Entry], Entry]) -> None:
    table = read_gpt(image)
    table.entries[number] = change(table.entries[number])
    write_gpt(image, table)


def _read(image: Path, table: GptTable, number: int) -> bytes:
    with image.open("rb") as file:
        file.seek(table.offset(number))
        return file.read(table.size(number))
