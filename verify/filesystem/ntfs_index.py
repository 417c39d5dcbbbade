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
_OF_INDEX = frozenset({_ROOT_TYPE, _BLOCKS_TYPE, _BITMAP_TYPE})
_BY_NAME = "$I30"
"""The index of a folder; others order other things."""

_NODE = INDEX_NODE.packed("entries_offset", "used_bytes")
_ENTRY = INDEX_ENTRY.packed(
    "file_reference", "length", "flags", "file_flags", "letters", "namespace"
)
_BLOCK = INDEX_BLOCK.packed("signature", "fixup_offset", "fixup_count")
_ROOT = INDEX_ROOT.packed("block_bytes")

_LAST_ENTRY = 2
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
    """Return the index of the folder with that record; `None`: it is not whole, ask the library."""
    index = Index()
    try:
        for node, at in _nodes(table, number):
            _take(node, at, index)
    except (NotPlainError, struct.error, UnicodeDecodeError, StructureError, *UNREADABLE):
        return None
    return index


def _take(data: bytes, at: int, index: Index) -> None:
    """Take the entries of one node, whose header stands at byte `at`.

    Raises:
        NotPlainError: they are not whole, or a name is none.
    """
    offset, used = _NODE.unpack_from(data, at)
    position, end = at + offset, at + used
    if end > len(data):
        raise NotPlainError
    data += _BEHIND  # the last entry is shorter than others
    unpack, first, names = _ENTRY.unpack_from, INDEX_ENTRY.size, index.names
    while True:
        reference, length, flags, file_flags, letters, namespace = unpack(data, position)
        if flags & _LAST_ENTRY:
            return
        start = position + first
        stop = start + 2 * letters
        position += length
        text, _ = utf_16_le_decode(data[start:stop], "surrogatepass", True)  # noqa: FBT003
        if stop > position or position > end or not text or "/" in text or "\0" in text:
            raise NotPlainError
        if namespace == _DOS_NAMESPACE:
            index.shorts[reference] = text
        else:
            names.append((text, reference, file_flags))


def _nodes(table: RecordTable, number: int) -> Iterator[tuple[bytes, int]]:
    """Yield the nodes of a folder's index: bytes, and where in them the node's header stands."""
    record = table.record(number)
    root = blocks = bitmap = None
    for attribute in record.attributes():
        if attribute.kind not in _OF_INDEX or record.name(attribute) != _BY_NAME:
            continue
        if attribute.kind == _ROOT_TYPE:
            root = record.value(attribute)
        elif attribute.kind == _BITMAP_TYPE:
            bitmap = _value(table, record, attribute)
        else:
            blocks = _value(table, record, attribute)
    if root is None or (blocks is None) != (bitmap is None):
        raise NotPlainError
    yield root, INDEX_ROOT.size
    if blocks is not None and bitmap is not None:
        (size,) = _ROOT.unpack_from(root)
        yield from _blocks(blocks, bitmap, size)


def _blocks(blocks: bytes, bitmap: bytes, size: int) -> Iterator[tuple[bytes, int]]:
    """Yield the blocks in use; what stands in a free one is what was once there."""
    if size not in _BLOCK_SIZES:
        raise NotPlainError
    for index in range(len(bitmap) * 8):
        if bitmap[index >> 3] >> (index & 7) & 1:
            block = blocks[index * size : (index + 1) * size]
            signature, at, count = _BLOCK.unpack_from(block)
            if signature != INDEX_SIGNATURE:
                raise NotPlainError
            yield undone(block, at, count, size), INDEX_BLOCK.size


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
