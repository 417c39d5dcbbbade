"""Names of an NTFS folder from its own index, read in one go.

The library opens every file that a folder names before it tells the name, which costs more than
reading the index. On volumes whose clusters are larger than blocks it misses names, and of folders
with an attribute list it gives names that were deleted (seen on volumes that ntfs-3g wrote). Only
a whole index is read here; a damaged one gives nothing.

Source: libfsntfs, NTFS format, 'The index' and 'The directory entry'; the field tables are in
`verify.structs.ntfs`.
"""

from __future__ import annotations

import struct
from codecs import utf_16_le_decode
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.ntfs.records import NUMBER, Attribute, Records, repaired
from verify.structs.ntfs import (
    FILE_NAME,
    INDEX_BLOCK,
    INDEX_ENTRY,
    INDEX_NODE,
    INDEX_ROOT,
    INDEX_SIGNATURE,
)
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

_ROOT_TYPE, _BLOCKS_TYPE, _BITMAP_TYPE = 0x90, 0xA0, 0xB0
_OF_INDEX = _ROOT_TYPE, _BLOCKS_TYPE, _BITMAP_TYPE
_BY_NAME = "$I30"
"""The index of a folder; others order other things."""

_NODE = INDEX_NODE.packed("entries_offset", "used_bytes")
_ENTRY = INDEX_ENTRY.packed(
    "file_reference",
    "length",
    "key_length",
    "flags",
    "parent",
    "file_flags",
    "letters",
    "namespace",
)
_BLOCK = INDEX_BLOCK.packed("fixup_offset", "fixup_count", "vcn")
_ROOT = INDEX_ROOT.packed("block_bytes")

_HAS_NODE, _LAST_ENTRY = 1, 2
_DOS_NAMESPACE = 2
IS_FOLDER = 0x10000000
"""Of the file flags in a $FILE_NAME (libfsntfs, 'File attribute flags')."""

_BLOCK_SIZES = frozenset({512, 1024, 2048, 4096, 8192, 16384, 32768, 65536})
MOST_INDEX_BYTES = 256 << 20
"""Of one folder's index, with room for half a million names and more."""

DAMAGED = say("the folder's index is damaged")
TOO_LONG = say("the folder's index is longer than any that is read here")

_LAST_BYTES, _NUMBER_BYTES = 16, 8
_KEY_BYTES = FILE_NAME.size
_LEAST_BYTES = 88
"""Of an entry with a name."""

_BEHIND = bytes(INDEX_ENTRY.size)


class DamagedIndexError(Exception):
    """An index that is not whole, or not read, as its text says: names may be missing from it."""


@dataclass(frozen=True, slots=True)
class Index:
    """What a folder names, in no order: each name, the reference to its record, its file flags.

    `shorts` are names of the DOS namespace, by reference: the 8.3 names of files that have others.
    """

    names: list[tuple[str, int, int]]
    shorts: dict[int, str]


def index_of(table: Records, number: int) -> Index:
    """Return the index of the folder with that record.

    In a whole one all entries follow each other to the end of their node and are those of this
    folder, every block in use stands in its place and is pointed to by one entry, nothing else
    is pointed to, and no name is there twice.

    Raises:
        DamagedIndexError: it is not whole, or longer than `MOST_INDEX_BYTES`.
    """
    try:
        return _Walk(table, number).read()
    except (struct.error, UnicodeDecodeError, *UNREADABLE) as error:
        raise DamagedIndexError(DAMAGED) from error


@dataclass(slots=True)
class _Walk:
    """An index being read; `children`: the numbers that its entries point to.

    What is not whole raises `StructureError`.
    """

    table: Records
    number: int
    names: list[tuple[str, int, int]] = field(default_factory=list)
    shorts: list[tuple[str, int, int]] = field(default_factory=list)
    children: list[int] = field(default_factory=list)

    def read(self) -> Index:
        """Read the root node, then all blocks in use."""
        root, blocks, bitmap = self._values()
        self._take(root, INDEX_ROOT.size, INDEX_NODE.size)
        own: list[int] = []
        if blocks is not None and bitmap is not None:
            (size,) = _ROOT.unpack_from(root)
            for vcn, block, first in _in_use(blocks, bitmap, size):
                own.append(vcn)
                self._take(block, INDEX_BLOCK.size, first)
        if sorted(self.children) != own:
            raise _damage(0, "nodes", say("each below one entry"), say("others"))
        return self._index()

    def _index(self) -> Index:
        """Tell short names from names: a file without another is known by that of DOS."""
        named = {reference for _, reference, _ in self.names} if self.shorts else set()
        names = self.names + [item for item in self.shorts if item[1] not in named]
        if len({text for text, _, _ in names}) != len(names):
            raise _damage(0, say("names"), say("each once"), say("one twice"))
        shorts = {reference: text for text, reference, _ in self.shorts if reference in named}
        return Index(names, shorts)

    def _values(self) -> tuple[bytes, bytes | None, bytes | None]:
        """Return the root node of a folder, its blocks, and the bitmap of those in use."""
        record = self.table.record(self.number)
        if not record.folder:
            raise _damage(record.at, "flags", say("a folder's"), str(record.flags))
        parts = self.table.parts(record, _OF_INDEX)
        root, blocks, bitmap = (self._value(parts, kind) for kind in _OF_INDEX)
        if root is None or (blocks is None) != (bitmap is None):
            raise _damage(
                record.at, "attributes", say("root, or root, blocks and bitmap"), say("others")
            )
        return root, blocks, bitmap

    def _value(self, parts: list[Attribute], kind: int) -> bytes | None:
        """Return what the attributes of one type hold, wherever that lies; `None`: no such one."""
        own = [part for part in parts if part.type == kind and part.name == _BY_NAME]
        if not own:
            return None
        if len(own) == 1 and own[0].value is not None:
            return own[0].value  # as nearly all are: worth a way of their own
        stream = self.table.joined(own, kind, _BY_NAME)
        if stream.size > MOST_INDEX_BYTES:
            raise DamagedIndexError(TOO_LONG)
        return self.table.contents(stream)

    def _take(self, data: bytes, at: int, first: int) -> None:
        """Take the entries of one node: its header stands at byte `at`, the first `first` on."""
        offset, used = _NODE.unpack_from(data, at)
        position, end = at + offset, at + used
        # NOTE: roots that Windows formatted begin some bytes later; no entry has room there.
        if not first <= offset < first + _LEAST_BYTES or end > len(data):
            raise _damage(
                at,
                "entries_offset",
                say("inside"),
                say("{offset} of {used}", offset=offset, used=used),
            )
        data += _BEHIND  # the last entry is shorter than others
        unpack, head, names = _ENTRY.unpack_from, INDEX_ENTRY.size, self.names
        while True:
            reference, length, key, flags, parent, file_flags, letters, namespace = unpack(
                data, position
            )
            start = position + head
            position += length
            below = 0
            if flags & _HAS_NODE:
                below = _NUMBER_BYTES
                self.children.append(int.from_bytes(data[position - below : position], "little"))
            if flags & _LAST_ENTRY:
                if position != end or length != _LAST_BYTES + below:
                    raise _damage(position, say("last entry"), say("at the end"), str(length))
                return
            stop = start + 2 * letters
            text, _ = utf_16_le_decode(data[start:stop], "surrogatepass", True)  # noqa: FBT003
            sizes = (head + 2 * letters + 7) // 8 * 8 + below, _KEY_BYTES + 2 * letters
            if (length, key) != sizes or position > end:
                raise _damage(start - head, "lengths", f"{sizes}", f"{length, key}")
            if parent & NUMBER != self.number:
                raise _damage(start - head, "parent", str(self.number), str(parent & NUMBER))
            if not text or "/" in text or "\0" in text:
                raise _damage(start - head, "name", say("one of a file"), ascii(text))
            if namespace == _DOS_NAMESPACE:
                self.shorts.append((text, reference, file_flags))
            else:
                names.append((text, reference, file_flags))


def _in_use(blocks: bytes, bitmap: bytes, size: int) -> Iterator[tuple[int, bytes, int]]:
    """Yield (number, block, where its entries begin) of the blocks in use, in their order.

    In a free one stands what was once there.
    """
    if size not in _BLOCK_SIZES or int.from_bytes(bitmap, "little") >> len(blocks) // size:
        raise _damage(
            0,
            "bitmap",
            say("of {blocks} bytes in blocks of {size}", blocks=len(blocks), size=size),
            say("another"),
        )
    for index in range(min(len(blocks) // size, 8 * len(bitmap))):
        if not bitmap[index >> 3] >> (index & 7) & 1:
            continue
        block = blocks[index * size : (index + 1) * size]
        at, count, vcn = _BLOCK.unpack_from(block)
        first = -(-(at + 2 * count) // 8) * 8 - INDEX_BLOCK.size
        yield vcn, repaired(block, index * size, INDEX_SIGNATURE), first


def _damage(at: int, name: str, expected: str, got: str) -> StructureError:
    return StructureError(say("NTFS index"), at, name, expected, got)
