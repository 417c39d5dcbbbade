"""The inodes the filesystem keeps to itself, and those that wait to be deleted.

Source: Linux Documentation/filesystems/ext4/special_inodes.rst and orphan.rst, fs/ext4/orphan.c,
e2fsck/super.c (check_resize_inode, release_orphan_inodes).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect, Fault
from verify.filesystem.ext.strict.group_table import GroupTable
from verify.filesystem.ext.strict.inode_rows import FORMAT, REGULAR
from verify.filesystem.ext.strict.mapping import Node, map_inode
from verify.filesystem.ext.strict.subject import Subject
from verify.structs.ext import INODE
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.ext.strict.mapping import Mapping
    from verify.filesystem.ext.strict.owners import Owners
    from verify.structs.base import Record

BAD_BLOCKS, ROOT, BOOT_LOADER, RESIZE = 1, 2, 5, 7

_ORPHAN_MAGIC = 0x0B10CA04
_TAIL_BYTES = 8
_DOUBLE = 13
_POINTER = 4
_MOST_ORPHANS = 1 << 20
_QUOTA_MAGIC = {"usr": 0xD9C01F11, "grp": 0xD9C01927, "prj": 0xD9C03F14}
"""First four bytes of a quota file (Linux fs/quota/quotaio_v2.h, V2_INITQMAGICS)."""


@dataclass(frozen=True, slots=True)
class InodeReader:
    """Single inodes, before the tables are read as a whole."""

    subject: Subject
    table: GroupTable

    def raw(self, number: int) -> bytes | None:
        """Return an inode's bytes; `None` where its number or place is invalid or unreadable."""
        layout = self.subject.layout
        group, index = divmod(number - 1, layout.block.number("inodes_per_group"))
        if not 0 <= group < len(self.table) or not self.table.sound[group]:
            return None
        start = int(self.table.number("inode_table")[group]) * layout.block_bytes
        size = layout.groups.inode_bytes
        where = ("inode", say("inode {number}", number=number))
        return self.subject.bytes_at(start + index * size, size, where, Effect.LOST, number)

    def inode(self, number: int) -> Record | None:
        """Return an inode's fields, or `None`."""
        raw = self.raw(number)
        return None if raw is None else INODE.parse(raw)

    def node(self, number: int) -> Node | None:
        """Return what the mapping of an inode needs, or `None`."""
        inode = self.inode(number)
        if inode is None:
            return None
        return Node(number, inode.number("generation"), inode.raw("block"), inode.number("flags"))

    def map(self, number: int) -> Mapping | None:
        """Return where an inode's contents lie, without recording what is wrong with it.

        The tables are read as a whole later, and record it then.
        """
        node = self.node(number)
        if node is None:
            return None
        subject = self.subject
        aside = type(subject)(subject.window, subject.layout, subject.alive)
        return map_inode(aside, node)


def size_of(inode: Record) -> int:
    """Return an inode's size in bytes."""
    return inode.number("size_lo") | inode.number("size_high") << 32


@dataclass(slots=True)
class Special:
    """Which inodes are not like files: `orphans` wait for deletion, `nameless` need no name."""

    orphans: set[int] = field(default_factory=set)
    nameless: set[int] = field(default_factory=set)
    first_inode: int = 11

    @property
    def without_links(self) -> set[int]:
        """Inodes that may be in use without a link."""
        return self.orphans | set(range(2, self.first_inode))

    mapped_apart: tuple[int, ...] = (BAD_BLOCKS, RESIZE)
    any_kind: tuple[int, ...] = (BAD_BLOCKS, BOOT_LOADER)

    def unmarked(self, subject: Subject, number: int) -> None:
        """Record an inode in use whose number would be given away again."""
        subject.allocation.fault(
            Fault(
                effect=Effect.OVERWRITTEN,
                structure="inode",
                place=say("inode {number}", number=number),
                field=say("inode bitmap"),
                stored=say("marked free"),
                expected=say("in use"),
                node=number,
            )
        )

    def leaked(self, subject: Subject, group: int, count: int) -> None:
        """Record inodes that are marked and not in use."""
        subject.allocation.fault(
            Fault(
                effect=Effect.WASTED,
                structure=say("inode bitmap"),
                place=say("group {group}", group=group),
                field=say("in use without links"),
                stored=say("{count} inodes", count=count),
                expected=say("none"),
            )
        )


def read_special(subject: Subject, table: GroupTable) -> Special:
    """Read the orphans, and examine the quota files."""
    layout, reader = subject.layout, InodeReader(subject, table)
    special = Special(first_inode=layout.first_inode)
    special.nameless = set(range(1, layout.first_inode)) | {layout.block.number("journal_inum")}
    _orphan_list(subject, reader, special)
    if "orphan_file" in layout.features:
        _orphan_file(subject, reader, special)
    if "quota" in layout.features:
        for kind, magic in _QUOTA_MAGIC.items():
            number = layout.block.number(f"{kind}_quota_inum")
            if number and (kind != "prj" or "project" in layout.features):
                special.nameless.add(number)
                _quota_file(subject, reader, number, (f"{kind}_quota_inum", magic))
    return special


def _orphan_list(subject: Subject, reader: InodeReader, special: Special) -> None:
    """Follow the list whose head is in the superblock, each inode naming the next."""
    number = subject.layout.block.number("last_orphan")
    where = (say("orphan list"), say("superblock"))
    while number and len(special.orphans) < _MOST_ORPHANS:
        subject.structure.compared()
        inode = None
        if number >= subject.layout.first_inode:
            inode = reader.inode(number)
        if inode is None or number in special.orphans:
            expected = say("inodes in use, each once")
            subject.find(
                Effect.REPAIRED,
                where,
                say("orphans"),
                say("inode {number}", number=number),
                expected,
            )
            return
        if not inode.number("mode"):
            subject.find(
                Effect.REPAIRED,
                where,
                say("orphans"),
                say("inode {number}", number=number),
                say("one in use"),
            )
            return
        special.orphans.add(number)
        where = (say("orphan list"), say("inode {number}", number=number))
        number = inode.number("dtime")


def _orphan_file(subject: Subject, reader: InodeReader, special: Special) -> None:
    """Read the file that lists orphans; the driver refuses the volume where a block is damaged."""
    layout = subject.layout
    number = layout.block.number("orphan_file_inum")
    special.nameless.add(number)
    where = (say("orphan file"), say("inode {number}", number=number))
    inode, mapping = reader.inode(number), reader.map(number)
    if inode is None or mapping is None or not inode.number("links_count"):
        subject.find(Effect.REFUSED, where, "inode", say("none"), say("a file"), node=number)
        return
    seed = layout.inode_seed(number, inode.number("generation"))
    blocks = size_of(inode) // layout.block_bytes
    places = {
        first + at: place + at
        for first, place, count, _ in mapping.runs
        for at in range(min(count, blocks))
    }
    if (
        not mapping.sound
        or not blocks
        or any(at not in places for at in range(min(blocks, 1 << 16)))
    ):
        subject.find(Effect.REFUSED, where, say("blocks"), len(places), blocks, node=number)
        return
    for at in range(blocks):
        data = subject.blocks_at(places[at], 1, where, Effect.REFUSED, number)
        if data is None:
            return
        subject.structure.compared()
        tail, body = data[-_TAIL_BYTES:], data[:-_TAIL_BYTES]
        magic, check = int.from_bytes(tail[:4], "little"), int.from_bytes(tail[4:], "little")
        wanted = crc32c(places[at].to_bytes(8, "little") + body, seed)
        if magic != _ORPHAN_MAGIC:
            stored, expected = f"{magic:08X}", f"{_ORPHAN_MAGIC:08X}"
            subject.find(Effect.REFUSED, where, say("magic of block {at}", at=at), stored, expected)
        elif layout.checksummed and check != wanted:
            stored, expected = f"{check:08X}", f"{wanted:08X}"
            subject.find(
                Effect.REFUSED, where, say("checksum of block {at}", at=at), stored, expected
            )
        elif "orphan_present" in layout.features:
            names = np.frombuffer(body, "<u4")
            special.orphans |= set(names[names != 0].tolist())


def _quota_file(
    subject: Subject, reader: InodeReader, number: int, wanted: tuple[str, int]
) -> None:
    where = (say("quota file"), say("inode {number}", number=number))
    subject.structure.compared()
    inode, mapping = reader.inode(number), reader.map(number)
    if inode is None or inode.number("mode") & FORMAT != REGULAR or not inode.number("links_count"):
        subject.find(Effect.REFUSED, where, "inode", say("no file"), say("a file"), node=number)
        return
    first = next((run for run in mapping.runs if run[0] == 0), None) if mapping else None
    if first is None:
        subject.find(
            Effect.REFUSED, where, say("first block"), say("none"), say("a header"), node=number
        )
        return
    data = subject.blocks_at(first[1], 1, where, Effect.REFUSED, number)
    if data is not None and int.from_bytes(data[:4], "little") != wanted[1]:
        stored = f"{int.from_bytes(data[:4], 'little'):08X}"
        subject.find(Effect.REFUSED, where, "magic", stored, f"{wanted[1]:08X}", node=number)


def own_apart(subject: Subject, table: GroupTable, owners: Owners) -> None:
    """Give away what the list of bad blocks and the descriptors' reserve hold."""
    reader = InodeReader(subject, table)
    bad = reader.node(BAD_BLOCKS)
    if bad is not None and any(bad.area):
        mapping = map_inode(subject, bad)
        for _, place, count, _ in mapping.runs:
            owners.add(place, count, BAD_BLOCKS)
        for block in mapping.tree:
            owners.add(block, 1, BAD_BLOCKS)
    if "resize_inode" in subject.layout.features:
        _check_reserve(subject, reader, owners)


def _check_reserve(subject: Subject, reader: InodeReader, owners: Owners) -> None:
    """The reserve is a file: its double indirect block names the primary's blocks, those the rest.

    Only growing the volume while it is mounted needs it; the checker makes it anew.
    """
    layout, groups = subject.layout, subject.layout.groups
    node = reader.node(RESIZE)
    where = (say("resize inode"), say("inode {number}", number=RESIZE))
    if node is None:
        return
    each = layout.block_bytes // _POINTER
    double = int.from_bytes(node.area[_DOUBLE * _POINTER :][:_POINTER], "little")
    subject.structure.compared()
    if not layout.first_data_block < double < layout.blocks:
        subject.find(
            Effect.REPAIRED, where, say("double indirect block"), double, say("in the volume")
        )
        return
    owners.add(double, 1, RESIZE)
    data = subject.blocks_at(double, 1, where, Effect.REPAIRED)
    if data is None:
        return
    table = -(-groups.count // groups.descriptors_a_block)
    holders = [group for group in range(1, groups.count) if groups.has_superblock(group)]
    for index in range(table, table + layout.block.number("reserved_gdt_blocks")):
        block = groups.descriptor_block(0) + index
        at = index % each * _POINTER
        stored = int.from_bytes(data[at : at + _POINTER], "little")
        subject.structure.compared()
        if stored != block:
            subject.find(
                Effect.REPAIRED, where, say("block of reserve {index}", index=index), stored, block
            )
            continue
        names = subject.blocks_at(block, 1, where, Effect.REPAIRED)
        if names is None:
            continue
        # The order is that of powers of 3, then 5, then 7; which block is where does not matter.
        have = set(np.frombuffer(names, "<u4")[: len(holders)].tolist())
        want = {block + group * layout.block.number("blocks_per_group") for group in holders}
        if have != want:
            place = say("copies of reserve {index}", index=index)
            subject.find(
                Effect.REPAIRED,
                where,
                place,
                say("{count} right", count=len(have & want)),
                len(want),
            )
