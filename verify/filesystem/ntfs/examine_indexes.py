"""Indexes of an NTFS volume: every node whole and reached once, and names in their order.

Source: libfsntfs, NTFS format, 'The index'; what a driver refuses of a node: ntfs-3g (index.c,
ntfs_index_block_inconsistent). A name out of order is listed, and not found when it is opened.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from verify.errors import StructureError
from verify.filesystem.careful_reading import is_power_of_two
from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examined_volume import (
    ROOT,
    Examined,
    FaultyError,
    Gathered,
    IndexParts,
    Numbers,
    Words,
)
from verify.filesystem.ntfs.index import IS_FOLDER, MOST_INDEX_BYTES
from verify.filesystem.ntfs.name_keys import misplaced, name_keys
from verify.filesystem.ntfs.record_decoder import STRIDE, repaired
from verify.structs.ntfs import (
    FILE_NAME,
    INDEX_BLOCK,
    INDEX_ENTRY,
    INDEX_NODE,
    INDEX_ROOT,
    INDEX_SIGNATURE,
)

if TYPE_CHECKING:
    from collections.abc import Callable


INDEX, BLOCK = "index", "index block"
BY_NAME = "$I30"
_MOST_BLOCK_BYTES = 64 << 10
_MOST_DEPTH = 32
_HEAP_BYTES = 4 << 20
"""Nodes that are collected before their names are held."""

_ROOT = INDEX_ROOT.packed("attribute_type", "collation", "block_bytes")
_NODE = INDEX_NODE.packed("entries_offset", "used_bytes", "allocated_bytes", "flags")
_BLOCK = INDEX_BLOCK.packed("signature", "fixup_offset", "fixup_count", "vcn")
_ENTRY = INDEX_ENTRY.packed("file_reference", "key_length", "parent", "file_flags", "letters")
_PLAIN_ENTRY = struct.Struct("<8xHHI")
_HAS_NODE, _LAST_ENTRY = 1, 2
_HEAD_BYTES, _NUMBER_BYTES = 16, 8
_FILE_NAME_TYPE, _FILE_NAME_COLLATION = 0x30, 1
_PAD = bytes(INDEX_ENTRY.size)


@dataclass(slots=True)
class Node:
    """One node: its bytes, where they lie, where its header stands, where entries may begin."""

    data: bytes
    at: int
    header: int
    first: int
    vcn: int | None = None


Entry = tuple[int, int, int | None]
"""Of an entry: where it stands in its node, where its key ends, the node below it."""


@dataclass(slots=True)
class NameIndexes:
    """The names that all folders give, collected and held by the thousand.

    `found`: of every entry the reference to its record, the key of its name, whether it is a DOS
    name, the record of its folder, and whether it calls the record a folder.
    """

    volume: Examined
    gathered: Gathered
    upper: NDArray[np.uint16]
    found: list[tuple[Words, Words, NDArray[np.bool_], Numbers, NDArray[np.bool_]]] = field(
        default_factory=list
    )
    broken: set[int] = field(default_factory=set)
    _heap: bytearray = field(default_factory=bytearray)
    _rows: list[tuple[int, int, int, int]] = field(default_factory=list)

    def take(self, parts: IndexParts) -> None:
        """Take the index of a folder."""
        before, mark = len(self._rows), len(self._heap)
        try:
            tree = _Tree(self.volume, parts)
            tree.walk(lambda node: self._entries(tree, node))
        except FaultyError as error:
            self.broken.add(parts.record)
            del self._rows[before:]
            del self._heap[mark:]
            report(self.volume, parts, error)
        if len(self._heap) > _HEAP_BYTES:
            self.flush()

    def _entries(self, tree: _Tree, node: Node) -> None:
        """Collect the names of a node in their order, those of the nodes below in between."""
        base = len(self._heap)
        self._heap += node.data
        own = self.gathered.reference(tree.parts.record)
        number, rows = tree.parts.record, self._rows
        data = node.data + _PAD
        for start, end, below in entries_of(node):
            if below is not None:
                tree.below(below)
            if end == start:
                continue
            reference, key, parent, flags, letters = _ENTRY.unpack_from(data, start)
            if key != FILE_NAME.size + 2 * letters or not letters:
                raise FaultyError(BLOCK, "length of key", key, "that of its name", node.at + start)
            if parent != own:
                raise FaultyError(BLOCK, "parent", _told(parent), _told(own), node.at + start)
            rows.append((base + start + _HEAD_BYTES, reference, number, flags & IS_FOLDER))

    def flush(self) -> None:
        """Hold what was collected."""
        if not self._rows:
            self._heap.clear()
            return
        starts = np.array([row[0] for row in self._rows], np.int64)
        references = np.array([row[1] for row in self._rows], np.uint64)
        folders = np.array([row[2] for row in self._rows], np.int64)
        keys, short = name_keys(self._heap, starts)
        as_folder = np.array([row[3] != 0 for row in self._rows], np.bool_)
        self.found.append((references, keys, short, folders, as_folder))
        new = np.ones(len(starts), np.bool_)
        new[1:] = folders[1:] != folders[:-1]
        for index in misplaced(self._heap, starts, new, self.upper).tolist():
            folder = int(folders[index])
            self.volume.fault(
                Effect.LOST,
                INDEX,
                f"folder record {folder}",
                "order of names",
                f"record {int(references[index]) & (1 << 48) - 1} out of its order",
                "names in their order",
                node=folder,
            )
        self._heap.clear()
        self._rows.clear()


class _Tree:
    """The nodes of one index, each read once."""

    def __init__(self, volume: Examined, parts: IndexParts) -> None:
        self.volume, self.parts = volume, parts
        value = parts.root.value or b""
        kind, collation, size = _ROOT.unpack_from(value)
        by_name = parts.name == BY_NAME
        if by_name and (kind, collation) != (_FILE_NAME_TYPE, _FILE_NAME_COLLATION):
            raise FaultyError(
                INDEX, "type and collation", f"{kind:X}, {collation:X}", "30, 1", parts.root.at
            )
        if not is_power_of_two(size) or not 512 <= size <= _MOST_BLOCK_BYTES:  # noqa: PLR2004
            raise FaultyError(INDEX, "block size", size, "a power of 2", parts.root.at)
        self.block_bytes = size
        # SPEC: blocks are counted in clusters, or in sectors where a cluster is larger than one.
        cluster_bytes = volume.sizes.cluster_bytes
        self.step = cluster_bytes if cluster_bytes <= size else STRIDE
        self.blocks, self.used = b"", 0
        if parts.blocks is not None:
            self._read(parts)
        self.seen: set[int] = set()
        self._depth = 0
        self._take: Callable[[Node], None]

    def _read(self, parts: IndexParts) -> None:
        if parts.blocks is None or parts.bitmap is None:
            raise FaultyError(INDEX, "bitmap of blocks", "none", "one", parts.root.at)
        self.blocks = self.volume.bytes_of(parts.blocks, MOST_INDEX_BYTES)
        bitmap = self.volume.bytes_of(parts.bitmap, MOST_INDEX_BYTES)
        self.used = int.from_bytes(bitmap, "little")
        if self.used >> len(self.blocks) // self.block_bytes:
            raise FaultyError(
                INDEX, "bitmap of blocks", "blocks behind the last", "none", parts.root.at
            )

    def walk(self, take: Callable[[Node], None]) -> None:
        """Call `take` for the root node; it calls `below` for each node below."""
        self._take = take
        value, parts = self.parts.root.value or b"", self.parts
        take(Node(value, parts.root.at, INDEX_ROOT.size, INDEX_NODE.size))
        unreached = self.used.bit_count() - len(self.seen)
        if unreached:
            self.volume.fault(
                Effect.WASTED,
                INDEX,
                place_of(parts),
                "blocks in use that no entry points to",
                unreached,
                0,
                node=parts.record,
            )

    def below(self, vcn: int) -> None:
        """Take the node that an entry points to."""
        index, rest = divmod(vcn * self.step, self.block_bytes)
        at = self.parts.root.at
        if rest or (index + 1) * self.block_bytes > len(self.blocks) or index in self.seen:
            raise FaultyError(INDEX, "node below", vcn, "a block of its own", at)
        if not self.used >> index & 1:
            raise FaultyError(INDEX, "bitmap of blocks", f"{index} free", "in use", at)
        self.seen.add(index)
        self._depth += 1
        if self._depth > _MOST_DEPTH:
            raise FaultyError(INDEX, "depth", self._depth, f"at most {_MOST_DEPTH}", at)
        self._take(self._block(index, vcn))
        self._depth -= 1

    def _block(self, index: int, vcn: int) -> Node:
        size = self.block_bytes
        block = self.blocks[index * size : (index + 1) * size]
        at = self._place(index * size)
        signature, fixups, count, own = _BLOCK.unpack_from(block)
        if signature != INDEX_SIGNATURE:
            raise FaultyError(BLOCK, "signature", signature.hex(" ").upper(), "49 4E 44 58", at)
        if own != vcn:
            raise FaultyError(BLOCK, "number", own, vcn, at)
        try:
            whole = repaired(block, at, INDEX_SIGNATURE)
        except StructureError:
            raise FaultyError(BLOCK, "update sequence", "torn", "whole", at) from None
        if fixups < INDEX_BLOCK.size + INDEX_NODE.size:
            raise FaultyError(BLOCK, "offset of update sequence", fixups, "behind its head", at)
        return Node(whole, at, INDEX_BLOCK.size, fixups + 2 * count - INDEX_BLOCK.size, vcn)

    def _place(self, position: int) -> int:
        """Return where a byte of the blocks lies in the volume."""
        cluster_bytes = self.volume.sizes.cluster_bytes
        for count, start in self.parts.blocks.runs if self.parts.blocks else ():
            if position < count * cluster_bytes:
                return (start or 0) * cluster_bytes + position
            position -= count * cluster_bytes
        return 0


def entries_of(node: Node) -> list[Entry]:
    """Return the entries of a node.

    Raises:
        FaultyError: they do not follow each other to the node's end.
    """
    data, header = node.data, node.header
    offset, used, allocated, flags = _NODE.unpack_from(data, header)
    room = len(data) - header
    if (node.vcn is not None and allocated != room) or not used <= allocated <= room:
        raise FaultyError(BLOCK, "room", f"{used} of {allocated}", f"{room}", node.at)
    if offset < node.first or offset & 7 or offset + _HEAD_BYTES > used:
        raise FaultyError(BLOCK, "offset of entries", offset, f"{node.first} or more", node.at)
    position, end = header + offset, header + used
    found: list[Entry] = []
    while position + _HEAD_BYTES <= end:
        length, key, marks = _PLAIN_ENTRY.unpack_from(data, position)
        below = _NUMBER_BYTES if marks & _HAS_NODE else 0
        if bool(below) != bool(flags & 1):
            raise FaultyError(BLOCK, "flags of entry", marks, f"those of node {flags}", node.at)
        after = position + length
        least = _HEAD_BYTES + below + (0 if marks & _LAST_ENTRY else key)
        if length < least or after > end or length & 7:
            raise FaultyError(
                BLOCK, "length of entry", length, f"{least} to {end - position}", node.at
            )
        child = int.from_bytes(data[after - below : after], "little") if below else None
        if marks & _LAST_ENTRY:
            if after != end:
                raise FaultyError(BLOCK, "bytes in use", used, after - header, node.at)
            found.append((position, position, child))
            return found
        found.append((position, position + _HEAD_BYTES + key, child))
        position = after
    raise FaultyError(BLOCK, "last entry", "none", "one", node.at)


def view_entries(volume: Examined, parts: IndexParts) -> list[bytes]:
    """Return the entries of an index that orders no names, in their order.

    Raises:
        FaultyError: it is not whole.
    """
    tree = _Tree(volume, parts)
    found: list[bytes] = []

    def take(node: Node) -> None:
        for start, end, below in entries_of(node):
            if below is not None:
                tree.below(below)
            if end > start:
                length = int.from_bytes(node.data[start + 8 : start + 10], "little")
                found.append(node.data[start : start + length])

    tree.walk(take)
    return found


def place_of(parts: IndexParts) -> str:
    """Return the words for an index."""
    if parts.name == BY_NAME:
        return f"folder record {parts.record}"
    return f"index {parts.name} of record {parts.record}"


def report(volume: Examined, parts: IndexParts, error: FaultyError) -> None:
    """Record that an index is not whole."""
    effect = Effect.REFUSED if parts.record == ROOT else Effect.LOST
    volume.faulty(error, effect, place_of(parts), parts.record)


def _told(reference: int) -> str:
    return f"record {reference & (1 << 48) - 1}, use {reference >> 48}"
