"""The group descriptors, and their copies, as columns.

Source: Linux fs/ext4/super.c (ext4_check_descriptors, ext4_group_desc_csum), e2fsck/super.c.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from verify.filesystem.checksums import crc16, crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.subject import columns
from verify.structs.ext import GROUP_DESCRIPTOR, GROUP_DESCRIPTOR_64
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.ext.strict.subject import Layout, Subject

    Numbers = npt.NDArray[np.int64]

MOST_GROUPS = 1 << 20
"""128 TiB in groups of 128 MiB; more are not examined."""

INODES_UNINITIALISED, BLOCKS_UNINITIALISED = 0x1, 0x2
_INODES_ZEROED = 0x4
_KNOWN_FLAGS = 0x7
_CHECKSUM_AT, _CHECKSUM_END = 0x1E, 0x20
_PLACES = ("block_bitmap", "inode_bitmap", "inode_table")
_WIDE_CHECKSUM_BYTES = 0x3C
"""Descriptors at least this long have both halves of the bitmaps' checksums."""


@dataclass(frozen=True, slots=True)
class GroupTable:
    """Every group's descriptor; `sound` where its bitmaps and table lie where they may."""

    rows: npt.NDArray[np.void]
    sound: npt.NDArray[np.bool_]
    wide: bool
    halves: int

    def __len__(self) -> int:
        """How many groups."""
        return len(self.rows)

    def number(self, name: str) -> Numbers:
        """Return a field of every group, both halves of it."""
        low = self.rows[f"{name}_lo"].astype(np.int64)
        high = f"{name}_hi"
        if not self.wide or high not in (self.rows.dtype.names or ()):
            return low
        shift = 32 if self.rows.dtype[f"{name}_lo"].itemsize == 4 else 16  # noqa: PLR2004 - bytes
        return low | self.rows[high].astype(np.int64) << shift

    def flags(self, group: int) -> int:
        """Return a group's flags."""
        return int(self.rows["flags"][group])

    def checksum(self, name: str, group: int) -> tuple[int, int]:
        """Return the stored checksum of a bitmap, and which bits of one are stored."""
        row = self.rows[group]
        low = int(row[f"{name}_csum_lo"])
        if self.halves == 1:
            return low, 0xFFFF
        return low | int(row[f"{name}_csum_hi"]) << 16, 0xFFFFFFFF


def read_groups(subject: Subject) -> GroupTable | None:
    """Read and examine the descriptors; `None`, recorded, where that cannot be done."""
    layout = subject.layout
    groups = layout.groups
    if groups.count > MOST_GROUPS:
        reason = say("{count} groups are more than are examined", count=groups.count)
        subject.structure.leave_out(reason)
        return None
    pieces: list[bytes] = []
    for block, length in _blocks(layout):
        where = (say("group descriptors"), say("block {block}", block=len(pieces)))
        data = subject.bytes_at(block * groups.block_bytes, length, where, Effect.REFUSED)
        if data is None:
            return None
        pieces.append(data)
    table = _table(layout, b"".join(pieces))
    _check_checksums(subject, table, Effect.REFUSED, None)
    _check_places(subject, table)
    return table


def _blocks(layout: Layout) -> Iterator[tuple[int, int]]:
    """Yield (block, bytes in use) of the descriptors in use."""
    groups = layout.groups
    left = groups.count
    for index in range(-(-left // groups.descriptors_a_block)):
        here = min(left, groups.descriptors_a_block)
        yield groups.descriptor_block(index), here * groups.descriptor_bytes
        left -= here


def _table(layout: Layout, data: bytes) -> GroupTable:
    wide = "64bit" in layout.features
    size = layout.groups.descriptor_bytes
    kind = columns(GROUP_DESCRIPTOR_64 if wide else GROUP_DESCRIPTOR, size)
    rows = np.frombuffer(data, dtype=kind)
    halves = 2 if wide and size >= _WIDE_CHECKSUM_BYTES else 1
    return GroupTable(rows, np.ones(len(rows), dtype=np.bool_), wide, halves)


def _check_checksums(
    subject: Subject, table: GroupTable, effect: Effect, copy: tuple[int, int] | None
) -> None:
    """Compare each descriptor's checksum. `copy`: the group that holds it, and its first one."""
    layout = subject.layout
    if not layout.lazy:
        return
    size = table.rows.dtype.itemsize
    data = table.rows.tobytes()
    uuid = crc16(layout.block.raw("uuid"))
    first = copy[1] if copy else 0
    for index in range(len(table)):
        own = data[index * size : (index + 1) * size]
        number = struct.pack("<I", first + index)
        before, behind = own[:_CHECKSUM_AT], own[_CHECKSUM_END:]
        if layout.checksummed:
            wanted = crc32c(number + before + bytes(2) + behind, layout.seed) & 0xFFFF
        else:
            wanted = crc16(number + before + (behind if table.wide else b""), uuid)
        stored = int(table.rows["checksum"][index])
        if stored != wanted:
            place = say("group {group}", group=first + index)
            if copy:
                place = say("{group}, copy in group {holder}", group=place, holder=copy[0])
            where = (say("group descriptor"), place)
            subject.find(effect, where, say("checksum"), f"{stored:04X}", f"{wanted:04X}")
    subject.structure.compared(len(table))


def _check_places(subject: Subject, table: GroupTable) -> None:
    """Bound where bitmaps and inode tables lie: in the volume, off the descriptors."""
    layout = subject.layout
    groups = layout.groups
    flexible = "flex_bg" in layout.features
    first = np.array([groups.first_block(group) for group in range(len(table))], dtype=np.int64)
    lengths = np.array([groups.blocks_of(group) for group in range(len(table))], dtype=np.int64)
    low = np.full(len(table), layout.first_data_block, np.int64) if flexible else first
    high = np.full(len(table), groups.blocks, np.int64) if flexible else first + lengths
    head = layout.first_data_block + groups.copied_blocks(0) - _reserved(layout)
    for name in _PLACES:
        places = table.number(name)
        length = groups.table_blocks if name == "inode_table" else 1
        bad = (places < low) | (places + length > high)
        bad |= (places < head) & (places + length > layout.first_data_block)
        for group in np.flatnonzero(bad).tolist():
            table.sound[group] = False
            where = (say("group descriptor"), say("group {group}", group=group))
            expected = say(
                "{low} to {high}, behind the descriptors", low=low[group], high=high[group] - length
            )
            subject.find(Effect.REFUSED, where, name, int(places[group]), expected)
        subject.structure.compared(len(table))
    flags = table.rows["flags"]
    allowed = _KNOWN_FLAGS if layout.lazy else _INODES_ZEROED
    for group in np.flatnonzero(flags & ~np.uint16(allowed)).tolist():
        stored, where = (
            f"{flags[group]:#x}",
            (say("group descriptor"), say("group {group}", group=group)),
        )
        subject.find(
            Effect.REPAIRED, where, "flags", stored, say("of {allowed}", allowed=f"{allowed:#x}")
        )
    unused = table.number("itable_unused")
    per_group = layout.block.number("inodes_per_group")
    for group in np.flatnonzero(unused > per_group).tolist() if layout.lazy else ():
        where = (say("group descriptor"), say("group {group}", group=group))
        subject.find(
            Effect.REPAIRED,
            where,
            "itable_unused",
            int(unused[group]),
            say("at most {most}", most=per_group),
        )


def _reserved(layout: Layout) -> int:
    """Return how many of the first group's copied blocks are kept for more descriptors."""
    if "meta_bg" in layout.features:
        return 0
    return layout.block.number("reserved_gdt_blocks")


def check_copies(subject: Subject, table: GroupTable) -> None:
    """Hold the copies of the descriptors against those in use: places, and their own checksums.

    The driver does not keep their counters up to date.
    """
    layout = subject.layout
    groups = layout.groups
    places = {name: table.number(name) for name in _PLACES}
    for holder, first_group, block, count in _copies(layout):
        length = count * groups.descriptor_bytes
        where = (say("group descriptors"), say("copy in group {group}", group=holder))
        data = subject.bytes_at(block * groups.block_bytes, length, where, Effect.REPAIRED)
        if data is None:
            continue
        copy = _table(layout, data)
        subject.structure.compared(count)
        for name in _PLACES:
            wanted = places[name][first_group : first_group + count]
            for index in np.flatnonzero(copy.number(name) != wanted).tolist():
                place = (
                    say("group descriptor"),
                    say(
                        "group {group}, copy in group {holder}",
                        group=first_group + index,
                        holder=holder,
                    ),
                )
                stored, real = int(copy.number(name)[index]), int(wanted[index])
                subject.find(Effect.REPAIRED, place, name, stored, real)
        _check_checksums(subject, copy, Effect.REPAIRED, (holder, first_group))


def _copies(layout: Layout) -> Iterator[tuple[int, int, int, int]]:
    """Yield (group that holds it, first group described, block, descriptors) of every copy."""
    groups = layout.groups
    per_block = groups.descriptors_a_block
    held = -(-groups.count // per_block)
    meta = layout.block.number("first_meta_bg") if "meta_bg" in layout.features else held
    ahead = min(held, meta)
    for group in range(1, groups.count):
        if groups.has_superblock(group) and ahead:
            block = groups.first_block(group) + 1
            yield group, 0, block, min(groups.count, ahead * per_block)
    for index in range(ahead, held):
        start = index * per_block
        for group in sorted({start + 1, start + per_block - 1} - {start}):
            if group < groups.count:
                block = groups.first_block(group) + groups.has_superblock(group)
                yield group, start, block, min(per_block, groups.count - start)
