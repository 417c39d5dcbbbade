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
    TooLongError,
    Words,
)
from verify.filesystem.ntfs.index import IS_FOLDER, MOST_INDEX_BYTES
from verify.filesystem.ntfs.name_keys import misplaced, name_keys
from verify.filesystem.ntfs.record_decoder import NUMBER, SEQUENCE_AT, STRIDE, repaired
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
    from collections.abc import Callable


INDEX, BLOCK = say("index"), say("index block")
BY_NAME = "$I30"
_MOST_BLOCK_BYTES = 64 << 10
_MOST_DEPTH = 32
_HEAP_BYTES = 4 << 20
"""Nodes that are collected before their names are held."""

_ROOT = INDEX_ROOT.packed("attribute_type", "collation", "block_bytes")
_NODE = INDEX_NODE.packed("entries_offset", "used_bytes", "allocated_bytes", "flags")
_BLOCK = INDEX_BLOCK.packed("signature", "fixup_offset", "fixup_count", "vcn")
_AT = {item.name: item.offset for item in INDEX_ENTRY.fields}
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
    partial: bool = False
    _heap: bytearray = field(default_factory=bytearray)
    _starts: list[int] = field(default_factory=list)
    _folders: list[tuple[int, int]] = field(default_factory=list)

    def take(self, parts: IndexParts) -> None:
        """Take the index of a folder."""
        before, mark = len(self._starts), len(self._heap)
        try:
            tree = _Tree(self.volume, parts)
            tree.walk(lambda node: self._entries(tree, node))
        except TooLongError:
            # Nothing can be said of names that no index gives, then.
            self.partial = True
            self.volume.structure.leave_out(
                say(
                    "the index of folder record {record}: longer than any that is examined",
                    record=parts.record,
                )
            )
        except FaultyError as error:
            del self._starts[before:]
            del self._heap[mark:]
            report(self.volume, parts, error)
        self._folders.append((parts.record, len(self._starts) - before))
        if len(self._heap) > _HEAP_BYTES:
            self.flush()

    def _entries(self, tree: _Tree, node: Node) -> None:
        """Collect the names of a node in their order, those of the nodes below in between."""
        base = len(self._heap)
        self._heap += node.data
        starts, below = entries_of(node)
        if not below:
            self._starts += [base + start for start in starts]
            return
        for start, number in zip(starts, below, strict=False):
            tree.below(number)
            self._starts.append(base + start)
        tree.below(below[-1])

    def flush(self) -> None:
        """Hold what was collected."""
        pairs = np.array(self._folders, np.int64).reshape(-1, 2)
        folders = np.repeat(pairs[:, 0], pairs[:, 1])
        heap = bytes(self._heap) + _PAD
        u8, u16, u32, u64 = (
            np.ndarray((len(heap) - size + 1,), f"<u{size}", heap, strides=(1,))
            for size in (1, 2, 4, 8)
        )
        starts = np.array(self._starts, np.int64)
        self._heap.clear()
        self._starts.clear()
        self._folders.clear()
        letters = u8[starts + _AT["letters"]].astype(np.int64)
        sequences = self.gathered.sequence[folders].astype(np.uint64) << np.uint64(SEQUENCE_AT)
        good = (letters > 0) & (u16[starts + _AT["key_length"]] == FILE_NAME.size + 2 * letters)
        good &= u64[starts + _AT["parent"]] == sequences | folders.astype(np.uint64)
        for folder in np.unique(folders[~good]).tolist():
            self._lost(folder, say("name or parent of entries"), say("others"), say("its own"))
        starts, folders = starts[good], folders[good]
        references = u64[starts]
        as_folder = u32[starts + _AT["file_flags"]] & IS_FOLDER != 0
        keys, short = name_keys(heap, starts + _HEAD_BYTES)
        self.found.append((references, keys, short, folders, as_folder))
        new = np.ones(len(starts), np.bool_)
        new[1:] = folders[1:] != folders[:-1]
        for index in misplaced(heap, starts + _HEAD_BYTES, new, self.upper).tolist():
            stored = say("record {number} out of its order", number=int(references[index]) & NUMBER)
            self._lost(
                int(folders[index]), say("order of names"), stored, say("names in their order")
            )

    def _lost(self, folder: int, what: str, stored: str, expected: str) -> None:
        place = say("folder record {number}", number=folder)
        self.volume.fault(Effect.LOST, INDEX, place, what, stored, expected, node=folder)


class _Tree:
    """The nodes of one index, each read once."""

    def __init__(self, volume: Examined, parts: IndexParts) -> None:
        self.volume, self.parts = volume, parts
        value = parts.root.value or b""
        kind, collation, size = _ROOT.unpack_from(value)
        by_name = parts.name == BY_NAME
        if by_name and (kind, collation) != (_FILE_NAME_TYPE, _FILE_NAME_COLLATION):
            raise FaultyError(
                INDEX,
                say("type and collation"),
                say("{kind}, {collation}", kind=f"{kind:X}", collation=f"{collation:X}"),
                "30, 1",
                parts.root.at,
            )
        if not is_power_of_two(size) or not 512 <= size <= _MOST_BLOCK_BYTES:  # noqa: PLR2004
            raise FaultyError(INDEX, say("block size"), size, say("a power of 2"), parts.root.at)
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
            raise FaultyError(
                INDEX, say("bitmap of blocks"), say("none"), say("one"), parts.root.at
            )
        self.blocks = self.volume.bytes_of(parts.blocks, MOST_INDEX_BYTES)
        bitmap = self.volume.bytes_of(parts.bitmap, MOST_INDEX_BYTES)
        self.used = int.from_bytes(bitmap, "little")
        if self.used >> len(self.blocks) // self.block_bytes:
            raise FaultyError(
                INDEX,
                say("bitmap of blocks"),
                say("blocks behind the last"),
                say("none"),
                parts.root.at,
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
                say("blocks in use that no entry points to"),
                unreached,
                0,
                node=parts.record,
            )

    def below(self, vcn: int) -> None:
        """Take the node that an entry points to."""
        index, rest = divmod(vcn * self.step, self.block_bytes)
        at = self.parts.root.at
        if rest or (index + 1) * self.block_bytes > len(self.blocks) or index in self.seen:
            raise FaultyError(INDEX, say("node below"), vcn, say("a block of its own"), at)
        if not self.used >> index & 1:
            raise FaultyError(
                INDEX, say("bitmap of blocks"), say("{index} free", index=index), say("in use"), at
            )
        self.seen.add(index)
        self._depth += 1
        if self._depth > _MOST_DEPTH:
            raise FaultyError(
                INDEX,
                say("depth"),
                self._depth,
                say("at most {most}", most=_MOST_DEPTH),
                at,
            )
        self._take(self._block(index, vcn))
        self._depth -= 1

    def _block(self, index: int, vcn: int) -> Node:
        size = self.block_bytes
        block = self.blocks[index * size : (index + 1) * size]
        at = self._place(index * size)
        signature, fixups, count, own = _BLOCK.unpack_from(block)
        if signature != INDEX_SIGNATURE:
            raise FaultyError(
                BLOCK, say("signature"), signature.hex(" ").upper(), "49 4E 44 58", at
            )
        if own != vcn:
            raise FaultyError(BLOCK, "number", own, vcn, at)
        try:
            whole = repaired(block, at, INDEX_SIGNATURE)
        except StructureError:
            raise FaultyError(
                BLOCK, say("update sequence"), say("torn"), say("whole"), at
            ) from None
        if fixups < INDEX_BLOCK.size + INDEX_NODE.size:
            raise FaultyError(
                BLOCK, say("offset of update sequence"), fixups, say("behind its head"), at
            )
        return Node(whole, at, INDEX_BLOCK.size, fixups + 2 * count - INDEX_BLOCK.size, vcn)

    def _place(self, position: int) -> int:
        """Return where a byte of the blocks lies in the volume."""
        cluster_bytes = self.volume.sizes.cluster_bytes
        for count, start in self.parts.blocks.runs if self.parts.blocks else ():
            if position < count * cluster_bytes:
                return (start or 0) * cluster_bytes + position
            position -= count * cluster_bytes
        return 0


def entries_of(node: Node) -> tuple[list[int], list[int]]:
    """Return where a node's entries begin that have a key, and the nodes below, one before each.

    The last node below follows all entries; a leaf has none.

    Raises:
        FaultyError: the entries do not follow each other to the node's end.
    """
    data, header = node.data, node.header
    offset, used, allocated, flags = _NODE.unpack_from(data, header)
    room = len(data) - header
    if (node.vcn is not None and allocated != room) or not used <= allocated <= room:
        raise FaultyError(
            BLOCK,
            say("room"),
            say("{used} of {allocated}", used=used, allocated=allocated),
            f"{room}",
            node.at,
        )
    if offset < node.first or offset & 7 or offset + _HEAD_BYTES > used:
        raise FaultyError(
            BLOCK,
            say("offset of entries"),
            offset,
            say("{least} or more", least=node.first),
            node.at,
        )
    position, end = header + offset, header + used
    inner = flags & _HAS_NODE
    least = _HEAD_BYTES + _NUMBER_BYTES * inner
    starts: list[int] = []
    below: list[int] = []
    marks = 0
    while not marks & _LAST_ENTRY:
        if position + least > end:
            raise FaultyError(BLOCK, say("last entry"), say("none"), say("one"), node.at)
        length, key, marks = _PLAIN_ENTRY.unpack_from(data, position)
        if marks & _HAS_NODE != inner:
            raise FaultyError(
                BLOCK,
                say("flags of entry"),
                marks,
                say("those of node {flags}", flags=flags),
                node.at,
            )
        after = position + length
        if marks & _LAST_ENTRY:
            key = 0
        else:
            starts.append(position)
        if length < least + key or after > end or length & 7:
            stored = say("{length} of {end}", length=length, end=end - position)
            raise FaultyError(
                BLOCK,
                say("length of entry"),
                stored,
                say("{least} or more", least=least + key),
                node.at,
            )
        if inner:
            below.append(int.from_bytes(data[after - _NUMBER_BYTES : after], "little"))
        position = after
    if position != end:
        raise FaultyError(BLOCK, say("bytes in use"), used, position - header, node.at)
    return starts, below


def view_entries(volume: Examined, parts: IndexParts) -> list[bytes]:
    """Return the entries of an index that orders no names, in their order.

    Raises:
        FaultyError: it is not whole.
    """
    tree = _Tree(volume, parts)
    found: list[bytes] = []

    def take(node: Node) -> None:
        starts, below = entries_of(node)
        for index, start in enumerate(starts):
            if below:
                tree.below(below[index])
            length = int.from_bytes(node.data[start + 8 : start + 10], "little")
            found.append(node.data[start : start + length])
        if below:
            tree.below(below[-1])

    tree.walk(take)
    return found


def place_of(parts: IndexParts) -> str:
    """Return the words for an index."""
    if parts.name == BY_NAME:
        return say("folder record {number}", number=parts.record)
    return say("index {name} of record {record}", name=parts.name, record=parts.record)


def report(volume: Examined, parts: IndexParts, error: FaultyError) -> None:
    """Record that an index is not whole."""
    effect = Effect.REFUSED if parts.record == ROOT else Effect.LOST
    volume.faulty(error, effect, place_of(parts), parts.record)
