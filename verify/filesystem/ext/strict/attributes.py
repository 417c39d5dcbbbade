"""Extended attributes: in inodes, in blocks that inodes share, in inodes of their own.

Source: Linux fs/ext4/xattr.c (check_xattrs, ext4_xattr_block_csum, ext4_xattr_hash_entry),
e2fsck/pass1.c (check_ea_in_inode, check_ext_attr).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.inode_rows import ENCRYPT, INLINE
from verify.filesystem.ext.strict.mapping import Mapping
from verify.filesystem.ext.strict.owners import Owners
from verify.filesystem.ext.strict.subject import Subject
from verify.structs.ext import EXTENDED_ENTRY, EXTENDED_HEADER_BYTES, EXTENDED_MAGIC, INODE
from verify.text.message import say

if TYPE_CHECKING:
    import numpy.typing as npt

    from verify.filesystem.ext.strict.inode_rows import Rows

    Marks = npt.NDArray[np.bool_]

_unpack = EXTENDED_ENTRY.packed(
    "name_len", "name_index", "value_offs", "value_inum", "value_size", "hash"
).unpack_from
_ENTRY = EXTENDED_ENTRY.size
_SYSTEM, _ENCRYPTION = 7, 9
_LARGEST_VALUE = 1 << 24
_CHECKSUM_AT = 0x10
_MASK = 0xFFFFFFFF
_AREA_BYTES = 60

Found = tuple[int, bytes, int, int, int, int]
"""Of an attribute: index of its prefix, name, offset, size, inode of the value, hash."""


def scan(  # noqa: C901, PLR0911 - each way a table can be wrong
    data: bytes, first: int, base: int
) -> tuple[list[Found], str | None]:
    """Return the attributes whose table begins at `first`, and what is wrong with it.

    Values lie from `base`, and no entry or value runs past the end of `data`.
    """
    found: list[Found] = []
    at, end = first, len(data)
    while True:
        if at + 4 > end:
            return found, say("no end of the entries")
        if data[at : at + 4] == b"\0\0\0\0":
            break
        if at + _ENTRY > end:
            return found, say("an entry past the end")
        length, index, place, inode, size, check = _unpack(data, at)
        name = data[at + _ENTRY : at + _ENTRY + length]
        at += _ENTRY + (length + 3 & ~3)
        if at > end - 4:
            return found, say("an entry past the end")
        if b"\0" in name:
            return found, say("a name with a zero byte")
        found.append((index, name, place, size, inode, check))
    for _, _, place, size, inode, _ in found:
        if inode:
            if size > _LARGEST_VALUE:
                return found, say("a value that is too long")
        elif size and (base + place < at + 4 or base + place + (size + 3 & ~3) > end):
            return found, say("a value outside its place")
    return found, None


def entry_hashes(name: bytes, value: bytes) -> tuple[int, int]:
    """Return an entry's hash with signed and with unsigned characters."""
    hashes = []
    for signed in (True, False):
        total = 0
        for byte in name:
            own = byte - 256 if signed and byte > 127 else byte  # noqa: PLR2004 - a char
            total = (total << 5 ^ total >> 27 ^ own) & _MASK
        for at in range(0, len(value), 4):
            word = int.from_bytes(value[at : at + 4], "little")
            total = (total << 16 ^ total >> 16 ^ word) & _MASK
        hashes.append(total)
    return hashes[0], hashes[1]


@dataclass(slots=True)
class Attributes:
    """Examines attributes as the inodes come by, and what can only be said at the end."""

    subject: Subject
    owners: Owners
    inline: dict[int, bytes] = field(default_factory=dict)
    """Of folders: the part of their entries that is kept as an attribute."""
    _shared: Counter[int] = field(default_factory=Counter)
    _stored: dict[int, tuple[int, int]] = field(default_factory=dict)
    _values: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    _kept: dict[int, tuple[Mapping, int, int]] = field(default_factory=dict)
    _with_values: set[int] = field(default_factory=set)
    _contexts: set[int] = field(default_factory=set)
    _encrypted: list[int] = field(default_factory=list)

    @property
    def with_values(self) -> list[int]:
        """Inodes with values in inodes of their own, whose blocks are counted for them as well."""
        return sorted(self._with_values)

    def inside(self, rows: Rows) -> Marks:
        """Return which inodes hold a table of attributes behind their fields."""
        marks = np.zeros(len(rows), dtype=np.bool_)
        extra = rows.extra
        magic = np.frombuffer(EXTENDED_MAGIC.to_bytes(4, "little"), np.uint8)
        for value in np.unique(extra).tolist():
            start = INODE.size + value
            if start + 4 <= rows.size:
                marks |= (extra == value) & (rows.stored[:, start : start + 4] == magic).all(axis=1)
        return marks

    def in_inode(self, rows: Rows, at: int) -> None:
        """Examine the table of one inode."""
        raw = rows.stored[at].tobytes()
        start = INODE.size + int.from_bytes(raw[0x80:0x82], "little") + 4
        number = int(rows.numbers[at])
        where = (say("extended attributes"), say("inode {number}", number=number))
        found, wrong = scan(raw, start, start)
        self.subject.structure.compared()
        if wrong is not None:
            self.subject.find(
                Effect.LOST, where, say("entries"), wrong, say("all inside"), node=number
            )
            return
        self._take(number, found, raw, start, where)

    def _take(
        self, number: int, found: list[Found], data: bytes, base: int, where: tuple[str, str]
    ) -> None:
        for index, name, place, size, inode, check in found:
            if inode:
                self._values.setdefault(inode, []).append((number, size))
                self._with_values.add(number)
                continue
            if index == _ENCRYPTION and name == b"c":
                self._contexts.add(number)
            elif index == _SYSTEM and name == b"data":
                self.inline[number] = data[base + place : base + place + size] if size else b""
                continue
            if check and not self.subject.layout.checksummed:
                value = data[base + place : base + place + (size + 3 & ~3)] if size else b""
                hashes = entry_hashes(name, value)
                if check not in hashes:
                    stored, expected = f"{check:08X}", f"{hashes[1]:08X}"
                    words = say(
                        "hash of {index}.{value}",
                        index=index,
                        value=name.decode("utf-8", "replace"),
                    )
                    self.subject.find(Effect.LOST, where, words, stored, expected, node=number)

    def in_blocks(self, rows: Rows, good: Marks) -> None:
        """Examine the blocks of attributes that inodes name; each is read once."""
        blocks, layout = rows.attribute_block, self.subject.layout
        for at in np.flatnonzero(good & (blocks != 0)).tolist():
            block, number = int(blocks[at]), int(rows.numbers[at])
            where = (say("extended attributes"), say("inode {number}", number=number))
            if not layout.first_data_block < block < layout.blocks:
                self.subject.find(
                    Effect.LOST, where, "file_acl", block, say("in the volume"), node=number
                )
                continue
            self._shared[block] += 1
            if self._shared[block] == 1:
                self.owners.add(block, 1, number)
                self._block(block, number, where)
        marked = good & (rows.flags & ENCRYPT != 0)
        self._encrypted += rows.numbers[marked].tolist()

    def _block(self, block: int, number: int, where: tuple[str, str]) -> None:
        data = self.subject.blocks_at(block, 1, where, Effect.LOST, number)
        if data is None:
            return
        self.subject.structure.compared()
        magic, pieces = (int.from_bytes(data[at : at + 4], "little") for at in (0, 8))
        if magic != EXTENDED_MAGIC or pieces != 1:
            stored = say("{magic}, {pieces} blocks", magic=f"{magic:08X}", pieces=pieces)
            self.subject.find(
                Effect.LOST,
                where,
                "magic",
                stored,
                say("{magic}, 1 block", magic=f"{EXTENDED_MAGIC:08X}"),
                node=number,
            )
            return
        self._stored[block] = int.from_bytes(data[4:8], "little"), number
        if self.subject.layout.checksummed:
            check = int.from_bytes(data[_CHECKSUM_AT : _CHECKSUM_AT + 4], "little")
            blank = data[:_CHECKSUM_AT] + bytes(4) + data[_CHECKSUM_AT + 4 :]
            wanted = crc32c(block.to_bytes(8, "little") + blank, self.subject.layout.seed)
            if check != wanted:
                self.subject.find(
                    Effect.LOST,
                    where,
                    say("checksum"),
                    f"{check:08X}",
                    f"{wanted:08X}",
                    node=number,
                )
                return
        found, wrong = scan(data, EXTENDED_HEADER_BYTES, 0)
        if wrong is not None:
            self.subject.find(
                Effect.LOST, where, say("entries"), wrong, say("all inside"), node=number
            )
            return
        self._take(number, found, data, 0, where)

    def keep_value(self, number: int, mapping: Mapping, size: int, check: int) -> None:
        """Keep where an inode that is a value has its contents."""
        self._kept[number] = mapping, size, check

    def check_inline(self, rows: Rows, good: Marks) -> None:
        """Hold the size of inline contents against the room they have."""
        sizes = rows.sizes
        for at in np.flatnonzero(good & (rows.flags & INLINE != 0)).tolist():
            number, more = int(rows.numbers[at]), self.inline.get(int(rows.numbers[at]))
            where = (say("inline data"), say("inode {number}", number=number))
            if more is None:
                self.subject.find(
                    Effect.LOST, where, "system.data", say("none"), say("an attribute"), node=number
                )
            elif sizes[at] > _AREA_BYTES + len(more):
                room = _AREA_BYTES + len(more)
                self.subject.find(
                    Effect.LOST, where, say("size"), int(sizes[at]), room, node=number
                )

    def finish(self) -> None:
        """Examine what all inodes together must agree with."""
        for block, (stored, number) in sorted(self._stored.items()):
            if stored != self._shared[block]:
                where = (say("extended attributes"), say("inode {number}", number=number))
                wanted = self._shared[block]
                self.subject.find(Effect.REPAIRED, where, "refcount", stored, wanted, node=number)
        for number in self._encrypted:
            if number not in self._contexts:
                where = (say("encryption"), say("inode {number}", number=number))
                self.subject.find(
                    Effect.LOST, where, say("context"), say("none"), say("one"), node=number
                )
        for inode, users in sorted(self._values.items()):
            self._value(inode, users)
        for number in sorted(self._kept.keys() - self._values.keys()):
            where = (say("extended attributes"), say("inode {number}", number=number))
            self.subject.find(
                Effect.REPAIRED, where, say("value"), say("of no inode"), say("of one"), node=number
            )

    def _value(self, inode: int, users: list[tuple[int, int]]) -> None:
        parent, wanted = users[0]
        where, kept = (
            (say("extended attributes"), say("inode {number}", number=parent)),
            self._kept.get(inode),
        )
        if kept is None:
            stored = say("inode {number}", number=inode)
            self.subject.find(
                Effect.LOST,
                where,
                say("value"),
                stored,
                say("an inode that is a value"),
                node=parent,
            )
            return
        mapping, size, check = kept
        self.subject.structure.compared()
        if size != wanted:
            self.subject.find(
                Effect.LOST,
                where,
                say("size of inode {number}", number=inode),
                size,
                wanted,
                node=parent,
            )
            return
        pieces = [
            self.subject.blocks_at(place, count, where, Effect.LOST, parent)
            for _, place, count, _ in mapping.runs
        ]
        value = b"".join(piece or b"" for piece in pieces)[:size]
        expected = crc32c(value, self.subject.layout.seed)
        if check != expected:
            self.subject.find(
                Effect.LOST,
                where,
                say("hash of inode {number}", number=inode),
                f"{check:08X}",
                f"{expected:08X}",
                node=parent,
            )
