"""The block groups of an ext filesystem: where they are described, and what they have free."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import Reader
from verify.filesystem.free_counting import BITS, zero_bits
from verify.structs.base import Record
from verify.structs.ext import GROUP_DESCRIPTOR, GROUP_DESCRIPTOR_64, SUPERBLOCK_OFFSET
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator


_SPARSE_SUPER_2 = 0x0200
_META_BG, _64BIT = 0x0010, 0x0080
_SPARSE_SUPER, _GDT_CSUM, _BIGALLOC, _METADATA_CSUM = 0x0001, 0x0010, 0x0200, 0x0400
_BLOCKS_UNINITIALISED = 0x2
_BACKUP_BASES = (3, 5, 7)
_OLD_INODE_BYTES = 128
_MOST_GROUPS = 1 << 20
"""128 TiB in groups of 128 MiB; more are not counted."""


@dataclass(frozen=True, slots=True)
class Groups:
    """The groups as a superblock lays them out. Blocks and groups count from 0."""

    reader: Reader
    block: Record

    def _has(self, of: str, bit: int) -> bool:
        return bool(self.block.number("rev_level") and self.block.number(f"feature_{of}") & bit)

    @property
    def block_bytes(self) -> int:
        """Bytes a block."""
        return SUPERBLOCK_OFFSET << self.block.number("log_block_size")

    @property
    def cluster_ratio(self) -> int:
        """Blocks a cluster: 1, or more with bigalloc."""
        shift = self.block.number("log_cluster_size") - self.block.number("log_block_size")
        return 1 << shift if self._has("ro_compat", _BIGALLOC) and 0 < shift < 32 else 1  # noqa: PLR2004 - a field of 32 bits

    @property
    def cluster_bytes(self) -> int:
        """The unit of allocation."""
        return self.block_bytes * self.cluster_ratio

    def _wide(self, name: str) -> int:
        high = self.block.number(f"{name}_hi") << 32 if self._has("incompat", _64BIT) else 0
        return self.block.number(f"{name}_lo") | high

    @property
    def blocks(self) -> int:
        """Blocks of the filesystem."""
        return self._wide("blocks_count")

    @property
    def free_hint(self) -> int:
        """The stored count of free blocks; with bigalloc they are blocks as well."""
        return self._wide("free_blocks_count")

    @property
    def count(self) -> int:
        """How many groups there are."""
        blocks = self.blocks - self.block.number("first_data_block")
        return max(0, -(-blocks // self.block.number("blocks_per_group")))

    def first_block(self, group: int) -> int:
        """Return the first block of a group, where its superblock copy stands if it has one."""
        first = group * self.block.number("blocks_per_group")
        return first + self.block.number("first_data_block")

    def first_backup(self) -> int | None:
        """Return the group of the first backup superblock, or `None` where there is none."""
        if self._has("compat", _SPARSE_SUPER_2):
            group = self.block.number("backup_bgs_0")
            return group if 0 < group < self.count else None
        return 1 if self.count > 1 else None

    def has_superblock(self, group: int) -> bool:
        """Whether a group has a copy: the first two and powers of 3, 5 and 7, if sparse."""
        if group == 0:
            return True
        if self._has("compat", _SPARSE_SUPER_2):
            return group in {self.block.number("backup_bgs_0"), self.block.number("backup_bgs_1")}
        if group == 1 or not self._has("ro_compat", _SPARSE_SUPER):
            return True
        for base in _BACKUP_BASES:
            power = base
            while power < group:
                power *= base
            if power == group:
                return True
        return False

    @property
    def descriptor_bytes(self) -> int:
        """Bytes a group descriptor."""
        if self._has("incompat", _64BIT):
            return max(GROUP_DESCRIPTOR_64.size, self.block.number("desc_size"))
        return GROUP_DESCRIPTOR.size

    @property
    def descriptors_a_block(self) -> int:
        """How many descriptors a block holds."""
        return max(1, self.block_bytes // self.descriptor_bytes)

    @property
    def _meta_start(self) -> int | None:
        """The first descriptor block that lies in its own groups, with meta_bg."""
        return self.block.number("first_meta_bg") if self._has("incompat", _META_BG) else None

    def descriptor_block(self, index: int) -> int:
        """Return where a block of the descriptor table lies."""
        # NOTE: blocks of 1 KiB with bigalloc count from 0, and the superblock is in block 1.
        first = self.block.number("first_data_block")
        if first == 0 and self.block_bytes == SUPERBLOCK_OFFSET:
            first = 1
        if self._meta_start is None or index < self._meta_start:
            return first + 1 + index
        group = index * self.descriptors_a_block
        start = first if group == 0 else self.first_block(group)
        return start + self.has_superblock(group)

    def _descriptors(self) -> Iterator[Record]:
        """Yield the descriptors in order; ends early, noted, where one cannot be read."""
        size, left = self.descriptor_bytes, self.count
        table = GROUP_DESCRIPTOR_64 if self._has("incompat", _64BIT) else GROUP_DESCRIPTOR
        for index in range(-(-left // self.descriptors_a_block)):
            here = min(left, self.descriptors_a_block)
            offset = self.descriptor_block(index) * self.block_bytes
            data = self.reader.read(offset, here * size, "group descriptors")
            if data is None:
                return
            for at in range(0, here * size, size):
                yield table.parse(data[at : at + size], offset + at)
            left -= here

    def inode_tables(self) -> list[int]:
        """Return the first block of every group's inode table, as far as they can be read."""
        if self.count > _MOST_GROUPS:
            return []
        return [_place(descriptor, "inode_table") for descriptor in self._descriptors()]

    def structures(self) -> Iterator[tuple[str, int, int]]:
        """Yield (name, first block, blocks) of what describes the files of every group."""
        if self.count > _MOST_GROUPS:
            return
        for group, descriptor in enumerate(self._descriptors()):
            copied = self.copied_blocks(group)
            yield (
                say("superblock and descriptors of group {group}", group=group),
                self.first_block(group),
                copied,
            )
            for name, blocks in (
                ("block_bitmap", 1),
                ("inode_bitmap", 1),
                ("inode_table", self.table_blocks),
            ):
                words = say("{value} of group {group}", value=name.replace("_", " "), group=group)
                yield words, _place(descriptor, name), blocks

    @property
    def inode_bytes(self) -> int:
        """Bytes an inode."""
        inode = self.block.number("inode_size") if self.block.number("rev_level") else 0
        return inode or _OLD_INODE_BYTES

    def first_is_sound(self) -> bool:
        """Whether the first group's bitmaps and inode table lie in the filesystem, and apart."""
        first = next(self._descriptors(), None)
        if first is None:
            return False
        names = ("block_bitmap", "inode_bitmap", "inode_table")
        places = {_place(first, name) for name in names}
        return len(places) == len(names) and min(places) > 0 and max(places) < self.blocks

    def free_clusters(self) -> int | None:
        """Count the 0 bits of every group's block bitmap; `None` where one cannot be read."""
        if self.count > _MOST_GROUPS:
            self.reader.note(
                say("block bitmaps"),
                say("{count} groups are more than are counted", count=self.count),
            )
            return None
        lazy = self._has("ro_compat", _GDT_CSUM) or self._has("ro_compat", _METADATA_CSUM)
        free = groups = 0
        for group, descriptor in enumerate(self._descriptors()):
            if lazy and descriptor.number("flags") & _BLOCKS_UNINITIALISED:
                here: int | None = self.clusters_of(group) - self._overhead(group, descriptor)
            else:
                here = self._zeros(group, descriptor)
            if here is None:
                return None
            free += here
            groups += 1
        return free if groups == self.count else None

    def blocks_of(self, group: int) -> int:
        """Return how many blocks a group has; the last one may have fewer."""
        return min(self.block.number("blocks_per_group"), self.blocks - self.first_block(group))

    def clusters_of(self, group: int) -> int:
        """Return how many clusters a group has: as many bits of its bitmap mean something."""
        return -(-self.blocks_of(group) // self.cluster_ratio)

    def _zeros(self, group: int, descriptor: Record) -> int | None:
        clusters, place = self.clusters_of(group), _place(descriptor, "block_bitmap")
        length = -(-clusters // BITS)
        what = say("block bitmap of group {group}", group=group)
        if not self.block.number("first_data_block") < place < self.blocks:
            self.reader.note(what, say("it cannot be at block {place}", place=place))
            return None
        if length > self.block_bytes:
            self.reader.note(what, say("a group has more clusters than a block has bits"))
            return None
        data = self.reader.read(place * self.block_bytes, length, what)
        return None if data is None else zero_bits([data], clusters)

    def _overhead(self, group: int, descriptor: Record) -> int:
        """Count the clusters of a group in use though its bitmap was never written.

        # SPEC: Linux fs/ext4/balloc.c, ext4_num_overhead_clusters: the superblock copy and
        # descriptors, and the group's own bitmaps and inode table where they lie in it.
        """
        start, ratio = self.first_block(group), self.cluster_ratio
        end = start + self.blocks_of(group)
        spans = [
            (start, start + self.copied_blocks(group)),
            *(
                (place, place + length)
                for name, length in (
                    ("block_bitmap", 1),
                    ("inode_bitmap", 1),
                    ("inode_table", self.table_blocks),
                )
                if start <= (place := _place(descriptor, name)) < end
            ),
        ]
        used = reached = 0
        for first, last in sorted(spans):
            low = max(reached, (first - start) // ratio)
            high = -(-(min(last, end) - start) // ratio)
            used += max(0, high - low)
            reached = max(reached, high)
        return used

    @property
    def table_blocks(self) -> int:
        """Blocks a group's inode table."""
        bytes_a_group = self.block.number("inodes_per_group") * self.inode_bytes
        return -(-bytes_a_group // self.block_bytes)

    def copied_blocks(self, group: int) -> int:
        """Return the blocks at a group's start: superblock copy, descriptors, room for more."""
        copy = int(self.has_superblock(group))
        table = -(-self.count // self.descriptors_a_block)
        per_block, start = self.descriptors_a_block, self._meta_start
        if start is not None and group // per_block >= start:
            # SPEC: meta_bg: the first, second and last group of each run of groups hold it.
            return copy + int(group % per_block in {0, 1, per_block - 1})
        if not copy:
            return 0
        held = table if start is None else min(table, start)
        return copy + held + self.block.number("reserved_gdt_blocks")


def _place(descriptor: Record, name: str) -> int:
    """Return a block number that a 64-bit descriptor keeps in two halves."""
    high = descriptor.values.get(f"{name}_hi", 0)
    return descriptor.number(f"{name}_lo") | int(high) << 32
