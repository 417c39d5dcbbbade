"""Names of an NTFS folder from its own index, read in one go.

The library opens every file that a folder names before it tells the name, which takes longer than
all else that a listing does. An index that is whole is read here; of one that is not, nothing is
told, and the library is asked.

Source: libfsntfs, NTFS format, 'The index' and 'The directory entry'; the field tables are in
`verify.structs.ntfs`.
"""

from __future__ import annotations

import struct
from codecs import utf_16_le_decode
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.ntfs_records import decoded_runs
from verify.filesystem.ntfs_table import Attribute, NotPlainError, Record, RecordTable, undone
from verify.filesystem.reading import UNREADABLE
from verify.structs.ntfs import (
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
    "file_reference", "length", "flags", "file_flags", "letters", "namespace"
)
_BLOCK = INDEX_BLOCK.packed("signature", "fixup_offset", "fixup_count", "vcn")
_ROOT = INDEX_ROOT.packed("block_bytes")

_HAS_NODE, _LAST_ENTRY = 1, 2
_DOS_NAMESPACE = 2
IS_FOLDER = 0x10000000
"""Of the file flags in a $FILE_NAME (libfsntfs, 'File attribute flags')."""

_BLOCK_SIZES = frozenset({512, 1024, 2048, 4096, 8192, 16384, 32768, 65536})
_MOST_BYTES = 64 << 20
"""Of one folder's index, with room for half a million names; a longer one is left to the library.
"""

_BEHIND = bytes(INDEX_ENTRY.size)


@dataclass(frozen=True, slots=True)
class Index:
    """What a folder names, in no order: each name, the reference to its record, its file flags.

    `shorts` are names of the DOS namespace, by reference: the 8.3 names of files that have others.
    """

    names: list[tuple[str, int, int]] = field(default_factory=list)
    shorts: dict[int, str] = field(default_factory=dict)


def index_of(table: RecordTable, number: int) -> Index | None:
    """Return the index of the folder with that record; `None`: it is not whole, ask the library.

    In a whole one every block in use is pointed to by one entry, and nothing else is.
    """
    try:
        return _Walk(table).read(number)
    except (NotPlainError, struct.error, UnicodeDecodeError, StructureError, *UNREADABLE):
        return None


@dataclass(slots=True)
class _Walk:
    """An index being read; `children`: the numbers that its entries point to."""

    table: RecordTable
    names: list[tuple[str, int, int]] = field(default_factory=list)
    shorts: list[tuple[str, int, int]] = field(default_factory=list)
    children: list[int] = field(default_factory=list)

    def read(self, number: int) -> Index:
        """Read the root node, then all blocks in use.

        Raises:
            NotPlainError: it is not whole.
        """
        root, blocks, bitmap = self._attributes(number)
        self._take(root, INDEX_ROOT.size)
        own: list[int] = []
        if blocks is not None and bitmap is not None:
            (size,) = _ROOT.unpack_from(root)
            for vcn, block in _in_use(blocks, bitmap, size):
                own.append(vcn)
                self._take(block, INDEX_BLOCK.size)
        if sorted(self.children) != sorted(own):
            raise NotPlainError
        named = {reference for _, reference, _ in self.names} if self.shorts else set()
        shorts = {reference: text for text, reference, _ in self.shorts}
        # NOTE: a file that has no other name is known by its name of the DOS namespace.
        alone = [item for item in self.shorts if item[1] not in named]
        return Index(self.names + alone, {key: shorts[key] for key in shorts if key in named})

    def _attributes(self, number: int) -> tuple[bytes, bytes | None, bytes | None]:
        """Return the root node of a folder, its blocks, and which of them are in use."""
        record = self.table.record(number)
        found: dict[int, bytes] = {}
        for attribute in record.attributes():
            if attribute.kind in _OF_INDEX and record.name(attribute) == _BY_NAME:
                if attribute.kind in found:
                    raise NotPlainError
                found[attribute.kind] = _value(self.table, record, attribute)
        root, blocks, bitmap = (found.get(kind) for kind in _OF_INDEX)
        if root is None or (blocks is None) != (bitmap is None):
            raise NotPlainError
        return root, blocks, bitmap

    def _take(self, data: bytes, at: int) -> None:
        """Take the entries of one node, whose header stands at byte `at`.

        Raises:
            NotPlainError: they are not whole, or a name is none.
        """
        offset, used = _NODE.unpack_from(data, at)
        position, end = at + offset, at + used
        if end > len(data):
            raise NotPlainError
        data += _BEHIND  # the last entry is shorter than others
        unpack, first, names = _ENTRY.unpack_from, INDEX_ENTRY.size, self.names
        while True:
            reference, length, flags, file_flags, letters, namespace = unpack(data, position)
            start = position + first
            position += length
            if flags & _HAS_NODE:
                self.children.append(int.from_bytes(data[position - 8 : position], "little"))
            if flags & _LAST_ENTRY:
                if position != end:
                    raise NotPlainError
                return
            stop = start + 2 * letters
            text, _ = utf_16_le_decode(data[start:stop], "surrogatepass", True)  # noqa: FBT003
            if stop > position or position > end or not text or "/" in text or "\0" in text:
                raise NotPlainError
            if namespace == _DOS_NAMESPACE:
                self.shorts.append((text, reference, file_flags))
            else:
                names.append((text, reference, file_flags))


def _in_use(blocks: bytes, bitmap: bytes, size: int) -> Iterator[tuple[int, bytes]]:
    """Yield (number, block) of the blocks in use; in a free one stands what was once there."""
    if size not in _BLOCK_SIZES:
        raise NotPlainError
    for index in range(len(bitmap) * 8):
        if bitmap[index >> 3] >> (index & 7) & 1:
            block = blocks[index * size : (index + 1) * size]
            signature, at, count, vcn = _BLOCK.unpack_from(block)
            if signature != INDEX_SIGNATURE:
                raise NotPlainError
            yield vcn, undone(block, at, count, size)


def _value(table: RecordTable, record: Record, attribute: Attribute) -> bytes:
    """Return an attribute's value, wherever it lies.

    Raises:
        NotPlainError: parts of it are nowhere, or it is longer than a folder's index.
    """
    if not attribute.away:
        return record.value(attribute)
    at, left = record.runs(attribute)
    if left > _MOST_BYTES:
        raise NotPlainError
    parts: list[bytes] = []
    for clusters, start in decoded_runs(record.data[at : attribute.end], 0):
        length = min(clusters * table.cluster_bytes, left)
        if start is None:
            raise NotPlainError
        parts.append(table.window.read(start * table.cluster_bytes, length))
        left -= length
    if left:
        raise NotPlainError
    return b"".join(parts)
