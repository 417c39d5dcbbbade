"""Names of an NTFS folder from its own index, read in one go.

The library opens every file that a folder names before it tells the name, which costs more than
reading the index. On volumes whose clusters are larger than blocks it misses names, and of folders
with an attribute list it gives names that were deleted (seen on volumes that ntfs-3g wrote). An
index that is whole is read here; of one that is not, nothing is told.

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
from verify.filesystem.ntfs.record_table import (
    Attribute,
    NotPlainError,
    Record,
    RecordTable,
    undone,
)
from verify.filesystem.ntfs.records import ATTRIBUTE_LIST_TYPE, NUMBER, decoded_runs
from verify.structs.ntfs import (
    ATTRIBUTE_LIST_ENTRY,
    FILE_NAME,
    INDEX_BLOCK,
    INDEX_ENTRY,
    INDEX_NODE,
    INDEX_ROOT,
    INDEX_SIGNATURE,
)

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
_BLOCK = INDEX_BLOCK.packed("signature", "fixup_offset", "fixup_count", "vcn")
_ROOT = INDEX_ROOT.packed("block_bytes")

_HAS_NODE, _LAST_ENTRY = 1, 2
_DOS_NAMESPACE = 2
IS_FOLDER = 0x10000000
"""Of the file flags in a $FILE_NAME (libfsntfs, 'File attribute flags')."""

Part = tuple[Record, Attribute]
"""A record, and an attribute in it."""

_BLOCK_SIZES = frozenset({512, 1024, 2048, 4096, 8192, 16384, 32768, 65536})
MOST_INDEX_BYTES = 256 << 20
"""Of one folder's index, with room for half a million names and more."""

DAMAGED = "the folder's index is damaged"
TOO_LONG = "the folder's index is longer than any that is read here"

_LISTED = ATTRIBUTE_LIST_ENTRY.packed("type", "length", "file_reference")
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


def index_of(table: RecordTable, number: int) -> Index:
    """Return the index of the folder with that record.

    In a whole one all entries follow each other to the end of their node and are those of this
    folder, every block in use stands in its place and is pointed to by one entry, nothing else
    is pointed to, and no name is there twice.

    Raises:
        DamagedIndexError: it is not whole, or longer than `MOST_INDEX_BYTES`.
    """
    try:
        return _Walk(table, number).read()
    except (NotPlainError, struct.error, UnicodeDecodeError, StructureError, *UNREADABLE) as error:
        raise DamagedIndexError(DAMAGED) from error


@dataclass(slots=True)
class _Walk:
    """An index being read; `children`: the numbers that its entries point to.

    What is not whole raises `NotPlainError`.
    """

    table: RecordTable
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
            raise NotPlainError
        return self._index()

    def _index(self) -> Index:
        """Tell short names from names: a file without another is known by that of DOS."""
        named = {reference for _, reference, _ in self.names} if self.shorts else set()
        names = self.names + [item for item in self.shorts if item[1] not in named]
        if len({text for text, _, _ in names}) != len(names):
            raise NotPlainError
        shorts = {reference: text for text, reference, _ in self.shorts if reference in named}
        return Index(names, shorts)

    def _values(self) -> tuple[bytes, bytes | None, bytes | None]:
        """Return the root node of a folder, its blocks, and the bitmap of those in use."""
        parts: dict[int, list[Part]] = {kind: [] for kind in _OF_INDEX}
        for record, attribute in _parts_of(self.table, self.number):
            if attribute.kind in parts and record.name(attribute) == _BY_NAME:
                parts[attribute.kind].append((record, attribute))
        root, blocks, bitmap = (
            _value(self.table, parts[kind]) if parts[kind] else None for kind in _OF_INDEX
        )
        if root is None or (blocks is None) != (bitmap is None):
            raise NotPlainError
        return root, blocks, bitmap

    def _take(self, data: bytes, at: int, first: int) -> None:
        """Take the entries of one node: its header stands at byte `at`, the first `first` on."""
        offset, used = _NODE.unpack_from(data, at)
        position, end = at + offset, at + used
        # NOTE: roots that Windows formatted begin some bytes later; no entry has room there.
        if not first <= offset < first + _LEAST_BYTES or end > len(data):
            raise NotPlainError
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
                    raise NotPlainError
                return
            stop = start + 2 * letters
            text, _ = utf_16_le_decode(data[start:stop], "surrogatepass", True)  # noqa: FBT003
            if length != (head + 2 * letters + 7) // 8 * 8 + below or position > end:
                raise NotPlainError
            if key != _KEY_BYTES + 2 * letters or parent & NUMBER != self.number:
                raise NotPlainError
            if not text or "/" in text or "\0" in text:
                raise NotPlainError
            if namespace == _DOS_NAMESPACE:
                self.shorts.append((text, reference, file_flags))
            else:
                names.append((text, reference, file_flags))


def _in_use(blocks: bytes, bitmap: bytes, size: int) -> Iterator[tuple[int, bytes, int]]:
    """Yield (number, block, where its entries begin) of the blocks in use, in their order.

    In a free one stands what was once there.
    """
    if size not in _BLOCK_SIZES or int.from_bytes(bitmap, "little") >> len(blocks) // size:
        raise NotPlainError
    for index in range(min(len(blocks) // size, 8 * len(bitmap))):
        if not bitmap[index >> 3] >> (index & 7) & 1:
            continue
        block = blocks[index * size : (index + 1) * size]
        signature, at, count, vcn = _BLOCK.unpack_from(block)
        if signature != INDEX_SIGNATURE:
            raise NotPlainError
        first = -(-(at + 2 * count) // 8) * 8 - INDEX_BLOCK.size
        yield vcn, undone(block, at, count, size), first


def _parts_of(table: RecordTable, number: int) -> list[Part]:
    """Return the attributes of a record, those in records that extend it too."""
    base = table.record(number)
    if not base.folder:
        raise NotPlainError
    own = [(base, attribute) for attribute in base.attributes()]
    further: dict[int, None] = {}
    for _, attribute in own:
        if attribute.kind == ATTRIBUTE_LIST_TYPE:
            listed = _value(table, [(base, attribute)])
            further |= dict.fromkeys(_extensions(listed, number))
    for other in further:
        record = table.record(other, number)
        own += [(record, attribute) for attribute in record.attributes()]
    return own


def _extensions(listed: bytes, number: int) -> Iterator[int]:
    """Yield the records that an attribute list names for parts of an index."""
    position = 0
    while position + ATTRIBUTE_LIST_ENTRY.size <= len(listed):
        kind, length, reference = _LISTED.unpack_from(listed, position)
        if length < ATTRIBUTE_LIST_ENTRY.size:
            raise NotPlainError
        if kind in _OF_INDEX and reference & NUMBER != number:
            yield reference & NUMBER
        position += length


def _value(table: RecordTable, parts: list[Part]) -> bytes:
    """Return an attribute's value, wherever its parts lie."""
    record, attribute = parts[0]
    if not attribute.away:
        if len(parts) > 1:
            raise NotPlainError
        return record.value(attribute)
    parts = sorted(parts, key=lambda part: part[0].first_vcn(part[1]))
    left = parts[0][0].size(parts[0][1])
    if left > MOST_INDEX_BYTES:
        raise DamagedIndexError(TOO_LONG)
    size, valid = left, parts[0][0].valid_bytes(parts[0][1])
    data: list[bytes] = []
    vcn = 0
    for record, attribute in parts:
        if not attribute.away or record.first_vcn(attribute) != vcn:
            raise NotPlainError
        at = record.runs_at(attribute)
        for clusters, start in decoded_runs(record.data[at : attribute.end], 0):
            length = min(clusters * table.cluster_bytes, left)
            if start is None:
                raise NotPlainError
            data.append(table.window.read(start * table.cluster_bytes, length))
            left -= length
            vcn += clusters
    if left:
        raise NotPlainError
    return b"".join(data)[:valid].ljust(size, b"\0")
