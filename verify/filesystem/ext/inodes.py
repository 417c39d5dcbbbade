"""Inodes of ext: fields, times, and extended attributes.

The library gives neither flags nor extended attributes, and of times after 2038 or before 1970
other ones: inodes are read here, also of files that the library lists.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from blake3 import blake3

from verify.errors import StructureError
from verify.filesystem.careful_reading import Reader
from verify.filesystem.ext.groups import Groups
from verify.source.window import Window
from verify.structs.ext import (
    EXTENDED_ENTRY,
    EXTENDED_HEADER_BYTES,
    EXTENDED_MAGIC,
    EXTENDED_PREFIXES,
    INODE,
    INODE_TIMES,
    SUPERBLOCK,
    SUPERBLOCK_OFFSET,
)
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry

DIGEST_DIGITS = 16
"""Hex digits kept of an attribute's digest: 64 bits tell chance apart, and rows stay small."""

_CHUNK_BYTES = 64 << 10
_CHUNKS_KEPT = 256
_BLOCKS_KEPT = 256

_MAGIC = EXTENDED_MAGIC.to_bytes(4, "little")

FORMAT, _RIGHTS = 0o170000, 0o7777
ENCRYPTED, EXTENTS, INLINE = 0x800, 0x80000, 0x10000000
"""Flags that say how an inode's contents are stored (inodes.rst, i_flags)."""

_OWN_FLAGS = 0x1 | 0x2 | 0x4 | 0x8 | 0x10 | 0x20 | 0x40 | 0x80 | 0x800 | 0x4000 | 0x10000 | 0x20000
_OWN_FLAGS |= 0x20000000 | 0x40000000 | 0x100000
"""Flags that somebody set: secure deletion to no access time, encrypted (0x800), data journalling,
synchronous folders, top folders, verity, project inheritance, casefold (ext4/inodes.rst). The
rest tell how the inode is stored."""

_INLINE_DATA = "system.data"
"""A small file's own contents, which are no attribute of it."""


class Inode(NamedTuple):
    """An inode's fields under their own names; a short one lacks the last five: 0.

    `further`: its extended attributes and their magic number, where it has room for any.
    """

    mode: int
    uid: int
    size_lo: int
    ctime: int
    mtime: int
    gid: int
    links_count: int
    flags: int
    block: bytes
    file_acl_lo: int
    size_high: int
    file_acl_high: int
    uid_high: int
    gid_high: int
    extra_isize: int
    ctime_extra: int
    mtime_extra: int
    crtime: int
    crtime_extra: int
    further: bytes


_NO_MORE = 0, 0, 0, 0, 0
_SHORT = INODE.packed(*Inode._fields[: -len(_NO_MORE) - 1])
_LONG = INODE_TIMES.packed(*Inode._fields[:-1])
_EXTRA = Inode._fields.index("extra_isize")

_CTIME_END, _MTIME_END, _CRTIME_END, _CRTIME_EXTRA_END = 8, 12, 20, 24
"""Bytes behind the first 128 that are fields, where these are among them (EXT4_FITS_IN_INODE)."""


def _time(seconds: int, extra: int) -> int | None:
    """Return a time in nanoseconds since 1970; one of no seconds was not set.

    SPEC: signed seconds, two bits above them, nanoseconds (inodes.rst, inode timestamps).
    """
    if not seconds:
        return None
    signed = seconds - (1 << 32) if seconds & 0x80000000 else seconds
    return (signed + ((extra & 3) << 32)) * 1_000_000_000 + (extra >> 2)


@dataclass(slots=True)
class ExtInodes:
    """The inodes of one volume."""

    window: Window
    groups: Groups = field(init=False)
    inode_bytes: int = field(init=False)
    _a_group: int = field(init=False)
    _tables: list[int] = field(init=False)
    _chunks: dict[int, bytes] = field(default_factory=dict)
    _blocks: dict[int, dict[str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Read the superblock and where the inode tables are."""
        reader = Reader(self.window)
        block = SUPERBLOCK.parse(self.window.read(SUPERBLOCK_OFFSET, SUPERBLOCK.size))
        self.groups = Groups(reader, block)
        self.inode_bytes = self.groups.inode_bytes
        self._a_group = block.number("inodes_per_group")
        size = self.groups.block_bytes
        tables = self.groups.inode_tables() if self._a_group else []
        self._tables = [block * size for block in tables]

    def inode(self, number: int) -> Inode:
        """Return an inode.

        Raises:
            StructureError, PastEnd, SourceUnreadable: there is no such one, or it cannot be read.
        """
        data, at = self._stored(number)
        if self.inode_bytes < INODE_TIMES.size:
            return Inode._make((*_SHORT.unpack_from(data, at), *_NO_MORE, b""))
        fields = _LONG.unpack_from(data, at)
        start = INODE.size + fields[_EXTRA]
        further = data[at + start : at + self.inode_bytes]
        return Inode._make((*fields, further if further.startswith(_MAGIC) else b""))

    def describe(self, entry: Entry, inode: Inode) -> None:
        """Fill in an entry's times, rights, owner, flags and extended attributes.

        Raises:
            StructureError, PastEnd, SourceUnreadable: its attributes cannot be read.
        """
        extra = inode.extra_isize
        entry.modified = _time(inode.mtime, inode.mtime_extra if extra >= _MTIME_END else 0)
        entry.changed = _time(inode.ctime, inode.ctime_extra if extra >= _CTIME_END else 0)
        more = inode.crtime_extra if extra >= _CRTIME_EXTRA_END else 0
        entry.created = _time(inode.crtime, more) if extra >= _CRTIME_END else None
        entry.mode = inode.mode & _RIGHTS
        entry.owner = f"{inode.uid | inode.uid_high << 16}:{inode.gid | inode.gid_high << 16}"
        entry.attributes = inode.flags & _OWN_FLAGS
        block = inode.file_acl_lo | inode.file_acl_high << 32
        if inode.further or block:
            found = dict(_entries(inode.further[len(_MAGIC) :], 0))
            if block:
                found |= self._in_block(block)
            entry.extended = sorted(found.items())

    def place_of(self, number: int) -> int | None:
        """Return the byte of the volume where an inode begins; `None`: there is no such one."""
        group, index = divmod(number - 1, self._a_group) if self._a_group else (0, 0)
        if not 0 <= group < len(self._tables):
            return None
        return self._tables[group] + index * self.inode_bytes

    def _stored(self, number: int) -> tuple[bytes, int]:
        """Return bytes and where in them an inode begins."""
        size, at = self.inode_bytes, self.place_of(number)
        if at is None or size < INODE.size:
            raise StructureError(INODE.name, 0, "number", say("in a group"), str(number))
        inside = at % _CHUNK_BYTES
        if inside + size <= _CHUNK_BYTES:
            return self._chunks.get(at - inside) or self._chunk(at - inside), inside
        return self.window.read(at, size), 0

    def _chunk(self, offset: int) -> bytes:
        """Read inodes of a neighbourhood at once: a folder's files mostly stand together."""
        if len(self._chunks) >= _CHUNKS_KEPT:
            del self._chunks[next(iter(self._chunks))]
        length = min(_CHUNK_BYTES, self.window.size_bytes - offset)
        data = self._chunks[offset] = self.window.read(offset, length)
        return data

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
