"""What the superblock says, as the driver asks before it mounts the volume.

Source: Linux fs/ext4/super.c (ext4_fill_super and what it calls), e2fsck/super.c.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import is_power_of_two
from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.subject import LARGEST_BLOCK_SHIFT
from verify.structs.ext import INODE, MAGIC, MMP, SUPERBLOCK, SUPERBLOCK_OFFSET
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.ext.strict.subject import Layout, Subject

WHERE = (say("superblock"), say("primary"))

_BITS = 8
_NEWEST_REVISION = 1
_CRC32C = 1
_SMALLEST_BLOCK = 1024
_SMALLEST_WIDE_DESCRIPTOR, _LARGEST_DESCRIPTOR = 64, 1024
_MOST_RESERVED = 65536
"""Inodes that a volume keeps for itself: ten everywhere; more than so many are not believed."""

_FIRST_FREE_INODE = 11
_UNICODE_12_1 = 1
_MOST_FLEX = 31
_MMP_MAGIC, _MMP_CHECKED = 0x004D4D50, 0xE24D4D50
_UNKNOWN_TO_LINUX = {"compression", "journal_dev", "dirdata", "replica"}
"""Features that have a name and no driver (Linux fs/ext4/ext4.h, EXT4_FEATURE_*_SUPP)."""


def expected_checksum(raw: bytes) -> int:
    """Return the crc32c that a superblock should store."""
    return crc32c(raw[: SUPERBLOCK.size - 4])


def check_superblock(subject: Subject) -> bool:
    """Examine the superblock; whether its shape lets the rest be examined."""
    layout = subject.layout
    block = layout.block
    subject.structure.compared()
    if block.number("log_block_size") > LARGEST_BLOCK_SHIFT:
        # NOTE: every other number is counted in blocks.
        _refuse(subject, "log_block_size", block.number("log_block_size"), say("at most 6"))
        return False
    _check_features(subject)
    if layout.checksummed:
        subject.structure.compared()
        wanted = expected_checksum(layout.raw)
        if block.number("checksum_type") != _CRC32C:
            _refuse(subject, "checksum_type", block.number("checksum_type"), _CRC32C)
        elif block.number("checksum") != wanted:
            _refuse(subject, say("checksum"), f"{block.number('checksum'):08X}", f"{wanted:08X}")
    return _check_shape(subject, layout)


def _refuse(subject: Subject, name: str, stored: object, expected: object) -> None:
    subject.find(Effect.REFUSED, WHERE, name, stored, expected, offset=SUPERBLOCK_OFFSET)


def _check_features(subject: Subject) -> None:
    layout = subject.layout
    block, has = layout.block, layout.features
    if block.number("rev_level") > _NEWEST_REVISION:
        _refuse(subject, "rev_level", block.number("rev_level"), say("0 or 1"))
    for word in (*layout.unknown, *sorted(has & _UNKNOWN_TO_LINUX)):
        _refuse(subject, say("features"), word, say("features the driver knows"))
    if {"metadata_csum", "uninit_bg"} <= has:
        subject.find(
            Effect.REPAIRED,
            WHERE,
            say("features"),
            say("both checksums"),
            say("metadata_csum alone"),
        )
    if "meta_bg" in has and "resize_inode" in has:
        subject.find(
            Effect.REPAIRED,
            WHERE,
            say("features"),
            say("meta_bg and resize_inode"),
            say("one of them"),
        )
    if "needs_recovery" in has and "has_journal" not in has:
        _refuse(subject, say("features"), say("needs_recovery without a journal"), "has_journal")
    if "casefold" in has and block.number("encoding") != _UNICODE_12_1:
        _refuse(subject, say("encoding"), block.number("encoding"), _UNICODE_12_1)


def _check_shape(subject: Subject, layout: Layout) -> bool:
    """Whether every number of the shape is possible; a wrong one is recorded."""
    block, groups, has = layout.block, layout.groups, layout.features
    size = groups.block_bytes
    per_group = block.number("blocks_per_group")
    inodes, inode = block.number("inodes_per_group"), groups.inode_bytes
    clusters = per_group // groups.cluster_ratio
    kilobyte_one = size == _SMALLEST_BLOCK and groups.cluster_ratio == 1
    first = int(kilobyte_one)
    wide = block.number("desc_size")
    per_block = size // inode if inode else 0
    if not per_group or not inodes or not per_block:
        for name, value in (("blocks_per_group", per_group), ("inodes_per_group", inodes)):
            if not value:
                _refuse(subject, name, value, say("more than 0"))
        if not per_block:
            _refuse(subject, "inode_size", inode, say("at most {most}", most=size))
        return False
    checks = (
        (
            "inode_size",
            is_power_of_two(inode) and INODE.size <= inode <= size,
            say("a power of 2 from 128 to {size}", size=size),
        ),
        ("first_data_block", layout.first_data_block == first, str(first)),
        (
            "blocks_per_group",
            0 < clusters <= size * _BITS,
            say("at most {most}", most=size * _BITS),
        ),
        (
            "inodes_per_group",
            per_block <= inodes <= size * _BITS and inodes % _BITS == 0,
            say(
                "a multiple of 8 from {per_block} to {size}", per_block=per_block, size=size * _BITS
            ),
        ),
        ("inodes_count", block.number("inodes_count") == groups.count * inodes, say("all groups'")),
        ("blocks_count", groups.blocks > layout.first_data_block, say("more than 0")),
        (
            "blocks_count",
            groups.blocks * size <= subject.window.size_bytes,
            say("the volume's size"),
        ),
        ("reserved_gdt_blocks", block.number("reserved_gdt_blocks") <= size // 4, f"≤ {size // 4}"),
    )
    whole = True
    subject.structure.compared(len(checks))
    for name, holds, expected in checks:
        if not holds:
            stored = groups.blocks if name == "blocks_count" else block.number(name)
            _refuse(subject, name, stored, expected)
            whole = False
    if "64bit" in has and not (
        is_power_of_two(wide) and _SMALLEST_WIDE_DESCRIPTOR <= wide <= _LARGEST_DESCRIPTOR
    ):
        _refuse(subject, "desc_size", wide, say("a power of 2 from 64 to 1024"))
        whole = False
    most = min(block.number("inodes_count"), _MOST_RESERVED)
    if layout.first_inode not in range(_FIRST_FREE_INODE, most + 1):
        _refuse(
            subject,
            "first_ino",
            layout.first_inode,
            say("{first_free_inode} to {most}", first_free_inode=_FIRST_FREE_INODE, most=most),
        )
        whole = False
    _check_limits(subject, layout)
    return whole


def _check_limits(subject: Subject, layout: Layout) -> None:
    """Numbers that the checker puts right and the driver lives with."""
    block, blocks = layout.block, layout.groups.blocks
    reserved = block.number("r_blocks_count_lo")
    if "64bit" in layout.features:
        reserved |= block.number("r_blocks_count_hi") << 32
    subject.structure.compared(2)
    if reserved > blocks // 2:
        subject.find(
            Effect.REPAIRED,
            WHERE,
            "r_blocks_count",
            reserved,
            say("at most {most}", most=blocks // 2),
        )
    if "flex_bg" in layout.features and block.number("log_groups_per_flex") > _MOST_FLEX:
        stored = block.number("log_groups_per_flex")
        subject.find(Effect.REPAIRED, WHERE, "log_groups_per_flex", stored, say("at most 31"))


def check_mount_protection(subject: Subject) -> None:
    """Examine the block in which the machine that has the volume mounted says so."""
    layout = subject.layout
    if "mmp" not in layout.features:
        return
    place, where = layout.block.number("mmp_block"), ("mmp", "block")
    subject.structure.compared()
    if not layout.first_data_block < place < layout.groups.blocks:
        _refuse(subject, "mmp_block", place, say("a block of the volume"))
        return
    data = subject.blocks_at(place, 1, where, Effect.REFUSED)
    if data is None:
        return
    block = MMP.parse(data)
    wanted = crc32c(data[: MMP.size - 4], layout.seed)
    if block.number("magic") != _MMP_MAGIC:
        subject.find(
            Effect.REFUSED, where, "magic", f"{block.number('magic'):08X}", f"{_MMP_MAGIC:08X}"
        )
    elif layout.checksummed and block.number("checksum") != wanted:
        stored = f"{block.number('checksum'):08X}"
        subject.find(Effect.REFUSED, where, say("checksum"), stored, f"{wanted:08X}")
    elif block.number("seq") == _MMP_CHECKED:
        subject.find(Effect.REFUSED, where, "seq", say("a check is under way"), say("not mounted"))


def check_backups(subject: Subject) -> None:
    """Hold every copy of the superblock against the one in use.

    The driver does not keep counters, times and features of the copies up to date; they must be
    there, whole, and of the same shape.
    """
    layout = subject.layout
    groups = layout.groups
    for group in range(1, groups.count):
        if not groups.has_superblock(group):
            continue
        where, offset = (
            (say("superblock"), say("group {group}", group=group)),
            groups.first_block(group),
        )
        offset *= groups.block_bytes
        raw = subject.bytes_at(offset, SUPERBLOCK.size, where, Effect.REPAIRED)
        if raw is None:
            continue
        subject.structure.compared()
        copy = SUPERBLOCK.parse(raw)
        if copy.number("magic") != MAGIC:
            magic = f"{copy.number('magic'):04X}"
            subject.find(Effect.REPAIRED, where, "magic", magic, f"{MAGIC:04X}", offset=offset)
            continue
        for name in _COPIED:
            if copy.values[name] != layout.block.values[name]:
                held, real = copy.number(name), layout.block.number(name)
                subject.find(Effect.REPAIRED, where, name, held, real, offset=offset)
        check = expected_checksum(raw)
        if layout.checksummed and copy.number("checksum") != check:
            stored_check = f"{copy.number('checksum'):08X}"
            subject.find(
                Effect.REPAIRED, where, say("checksum"), stored_check, f"{check:08X}", offset=offset
            )


_COPIED = (
    "inodes_count",
    "blocks_count_lo",
    "blocks_count_hi",
    "first_data_block",
    "log_block_size",
    "log_cluster_size",
    "blocks_per_group",
    "inodes_per_group",
)
"""What the driver never changes; it may raise the revision, and leaves that out of the copies."""
