"""What an ext inode keeps beside contents and times: rights, owner, flags, extended attributes.

The library gives neither flags nor extended attributes, so the inode is read here, beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE, Reader
from verify.filesystem.ext.groups import Groups
from verify.source.window import Window
from verify.structs.ext import (
    EXTENDED_ENTRY,
    EXTENDED_HEADER_BYTES,
    EXTENDED_MAGIC,
    EXTENDED_PREFIXES,
    INODE,
    INODE_EXTRA_SIZE,
    SUPERBLOCK,
    SUPERBLOCK_OFFSET,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry

DIGEST_DIGITS = 16
"""Hex digits kept of an attribute's digest: 64 bits tell chance apart, and rows stay small."""

_CHUNK_BYTES = 64 << 10
_CHUNKS_KEPT = 16
_BLOCKS_KEPT = 256

_RIGHTS = 0o7777
_OWN_FLAGS = 0x1 | 0x2 | 0x4 | 0x8 | 0x10 | 0x20 | 0x40 | 0x80 | 0x800 | 0x4000 | 0x10000 | 0x20000
_OWN_FLAGS |= 0x20000000 | 0x40000000 | 0x100000
"""Flags that somebody set: secure deletion to no access time, encrypted (0x800), data journalling,
synchronous folders, top folders, verity, project inheritance, casefold (ext4/inodes.rst). The
rest tell how the inode is stored."""

_INLINE_DATA = "system.data"
"""A small file's own contents, which are no attribute of it."""


@dataclass(slots=True)
class ExtInodes:
    """The inodes of one volume; whatever cannot be read of one leaves the entry's fields unset."""

    window: Window
    groups: Groups = field(init=False)
    _tables: list[int] = field(init=False)
    _chunks: dict[int, bytes] = field(default_factory=dict)
    _blocks: dict[int, dict[str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Read the superblock and where the inode tables are."""
        reader = Reader(self.window)
        block = SUPERBLOCK.parse(self.window.read(SUPERBLOCK_OFFSET, SUPERBLOCK.size))
        self.groups = Groups(reader, block)
        self._tables = self.groups.inode_tables() if block.number("inodes_per_group") else []

    def describe(self, entry: Entry) -> None:
        """Fill in what the entry's inode says."""
        try:
            data = self._inode(entry.node)
            inode = INODE.parse(data)
            found = dict(self._in_inode(data))
            block = inode.number("file_acl_lo") | inode.number("file_acl_high") << 32
            if block:
                found |= self._in_block(block)
        except UNREADABLE:
            return
        uid = inode.number("uid") | inode.number("uid_high") << 16
        gid = inode.number("gid") | inode.number("gid_high") << 16
        entry.mode = inode.number("mode") & _RIGHTS
        entry.owner = f"{uid}:{gid}"
        entry.attributes = inode.number("flags") & _OWN_FLAGS
        entry.extended = sorted(found.items())

    def place_of(self, number: int) -> int | None:
        """Return the byte of the volume where an inode begins; `None`: there is no such one."""
        per_group = self.groups.block.number("inodes_per_group")
        group, index = divmod(number - 1, per_group) if per_group else (0, 0)
        if not 0 <= group < len(self._tables):
            return None
        return self._tables[group] * self.groups.block_bytes + index * self.groups.inode_bytes

    def _inode(self, number: int) -> bytes:
        size, at = self.groups.inode_bytes, self.place_of(number)
        if at is None or size < INODE.size:
            raise StructureError(INODE.name, 0, "number", "in a group", str(number))
        inside = at % _CHUNK_BYTES
        if inside + size <= _CHUNK_BYTES:
            return self._chunk(at - inside)[inside : inside + size]
        return self.window.read(at, size)

    def _chunk(self, offset: int) -> bytes:
        """Read inodes of a neighbourhood at once: a folder's files mostly stand together."""
        if offset not in self._chunks:
            if len(self._chunks) >= _CHUNKS_KEPT:
                del self._chunks[next(iter(self._chunks))]
            length = min(_CHUNK_BYTES, self.window.size_bytes - offset)
            self._chunks[offset] = self.window.read(offset, length)
        return self._chunks[offset]

    def _in_inode(self, data: bytes) -> Iterator[tuple[str, str]]:
        if len(data) <= INODE.size:
            return
        extra = int.from_bytes(data[slice(*INODE_EXTRA_SIZE)], "little")
        start = INODE.size + extra
        if int.from_bytes(data[start : start + 4], "little") == EXTENDED_MAGIC:
            yield from _entries(data[start + 4 :], 0)

    def _in_block(self, block: int) -> dict[str, str]:
        """Return the attributes of a block, which many inodes may share."""
        if block not in self._blocks:
            if len(self._blocks) >= _BLOCKS_KEPT:
                del self._blocks[next(iter(self._blocks))]
            offset = block * self.groups.block_bytes
            data = self.window.read(offset, self.groups.block_bytes)
            if int.from_bytes(data[:4], "little") != EXTENDED_MAGIC:
                got = data[:4].hex()
                raise StructureError(EXTENDED_ENTRY.name, offset, "magic", "EA020000", got)
            self._blocks[block] = dict(_entries(data, EXTENDED_HEADER_BYTES))
        return self._blocks[block]


def _entries(data: bytes, first: int) -> Iterator[tuple[str, str]]:
    """Yield names and digests of the attributes whose table begins at `first` of `data`."""
    position = first
    while position + EXTENDED_ENTRY.size <= len(data) and any(data[position : position + 4]):
        entry = EXTENDED_ENTRY.parse(data[position:], position)
        behind = position + EXTENDED_ENTRY.size
        own = data[behind : behind + entry.number("name_len")].decode("utf-8", "surrogateescape")
        index = entry.number("name_index")
        name = EXTENDED_PREFIXES.get(index, f"{index}.") + own
        start, size = entry.number("value_offs"), entry.number("value_size")
        if entry.number("value_inum"):
            # NOTE: the value is an inode of its own; its stored hash stands for it.
            value = entry.number("hash").to_bytes(4, "little")
        else:
            value = data[start : start + size]
        if name != _INLINE_DATA:
            yield name, blake3(value).hexdigest()[:DIGEST_DIGITS]
        position = behind + -(-entry.number("name_len") // 4) * 4
