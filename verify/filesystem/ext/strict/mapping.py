"""Where an inode's contents lie: extent trees and lists of blocks, bounded like the driver does.

Source: Linux fs/ext4/extents.c (__ext4_ext_check), indirect.c, block_validity.c; e2fsck/pass1.c.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.subject import Subject, place_of
from verify.structs.ext import EXTENT, EXTENT_HEADER, EXTENT_INDEX, EXTENT_MAGIC, LONGEST_EXTENT
from verify.text.message import say

_EXTENTS = 0x80000
_DEEPEST = 5
_ENTRY = EXTENT.size
_DIRECT = 12
_POINTER = 4
_BLOCK_NUMBERS = 1 << 32


@dataclass(slots=True)
class Node:
    """What of an inode its mapping needs; `area` are the 60 bytes of block numbers or the tree."""

    number: int
    generation: int
    area: bytes
    flags: int

    @property
    def extents(self) -> bool:
        """Whether the area is an extent tree."""
        return bool(self.flags & _EXTENTS)


@dataclass(slots=True)
class Mapping:
    """`runs`: (block of the file, block of the volume, count, written); `tree`: blocks of the tree.

    `sound` turns false at the first fault.
    """

    runs: list[tuple[int, int, int, bool]] = field(default_factory=list)
    tree: list[int] = field(default_factory=list)
    sound: bool = True

    @property
    def blocks(self) -> int:
        """All blocks, the tree's included."""
        return len(self.tree) + sum(count for _, _, count, _ in self.runs)

    @property
    def end(self) -> int:
        """The block of the file behind the last one."""
        return max((first + count for first, _, count, _ in self.runs), default=0)

    @property
    def written_end(self) -> int:
        """The block of the file behind the last one that is written."""
        return max((first + count for first, _, count, done in self.runs if done), default=0)


def map_inode(subject: Subject, node: Node) -> Mapping:
    """Follow an inode's extent tree or block list; what is wrong with it is recorded."""
    mapping = Mapping()
    if node.extents:
        seed = subject.layout.inode_seed(node.number, node.generation)
        _Extents(subject, node, mapping, seed).node(node.area, None, None, 0)
    else:
        _Blocks(subject, node, mapping).all()
    return mapping


def _in_volume(subject: Subject, first: int, count: int) -> bool:
    layout = subject.layout
    return layout.first_data_block < first and first + count <= layout.blocks


def _broken(
    subject: Subject,
    node: Node,
    mapping: Mapping,
    what: tuple[str, object, object],
    block: int | None,
) -> None:
    mapping.sound = False
    place = place_of(node.number, block)
    structure = say("extent tree") if node.extents else say("block list")
    name, stored, expected = what
    subject.find(Effect.LOST, (structure, place), name, stored, expected, node=node.number)


@dataclass(slots=True)
class _Extents:
    subject: Subject
    node_: Node
    mapping: Mapping
    seed: int
    next_block: int = 0

    def node(self, data: bytes, block: int | None, depth: int | None, first: int) -> None:
        """Read a node of the tree; `depth` is what its parent asks for, `first` where it begins."""
        header = EXTENT_HEADER.parse(data)
        entries, most = header.number("entries"), header.number("max")
        level = header.number("depth")
        # A tail of four bytes stays free for the checksum, with or without one.
        room = (len(data) - EXTENT_HEADER.size) // _ENTRY
        wrong: tuple[str, object, object] | None = None
        if header.number("magic") != EXTENT_MAGIC:
            wrong = "magic", f"{header.number('magic'):04X}", f"{EXTENT_MAGIC:04X}"
        elif level > _DEEPEST or (depth is not None and level != depth):
            wrong = (
                say("depth"),
                level,
                say("at most {most}", most=_DEEPEST) if depth is None else depth,
            )
        elif not 0 < most <= room:
            wrong = "max", most, say("1 to {room}", room=room)
        elif entries > most or (level and not entries):
            wrong = (
                say("entries"),
                entries,
                say("{value} to {most}", value=int(level > 0), most=most),
            )
        if wrong is None and block is not None and self.subject.layout.checksummed:
            at = EXTENT_HEADER.size + _ENTRY * most
            stored = int.from_bytes(data[at : at + 4], "little")
            check = crc32c(data[:at], self.seed)
            if stored != check:
                wrong = say("checksum"), f"{stored:08X}", f"{check:08X}"
        if wrong is not None:
            _broken(self.subject, self.node_, self.mapping, wrong, block)
            return
        self.subject.structure.compared()
        if level:
            self._indexes(data, entries, level, block, first)
        else:
            self._leaf(data, entries, block, first)

    def _leaf(self, data: bytes, entries: int, block: int | None, first: int) -> None:
        for index in range(entries):
            row = EXTENT.parse(data[EXTENT_HEADER.size + index * _ENTRY :][:_ENTRY])
            start, count = row.number("block"), row.number("len")
            written = count <= LONGEST_EXTENT
            count -= 0 if written else LONGEST_EXTENT
            place = row.number("start_lo") | row.number("start_hi") << 32
            what: tuple[str, object, object] | None = None
            if not count or start + count > _BLOCK_NUMBERS:
                what = say("length of extent {index}", index=index), count, say("1 or more")
            elif start < self.next_block:
                what = (
                    say("order of extent {index}", index=index),
                    start,
                    say("from {first}", first=self.next_block),
                )
            elif block is not None and index == 0 and start != first:
                what = say("first block"), start, say("{first}, as its index says", first=first)
            elif not _in_volume(self.subject, place, count):
                what = (
                    say("place of extent {index}", index=index),
                    say("{first} to {last}", first=place, last=place + count - 1),
                    say("in the volume"),
                )
            if what is not None:
                _broken(self.subject, self.node_, self.mapping, what, block)
                continue
            self.next_block = start + count
            self.mapping.runs.append((start, place, count, written))

    def _indexes(
        self, data: bytes, entries: int, level: int, block: int | None, first: int
    ) -> None:
        before = -1
        for index in range(entries):
            row = EXTENT_INDEX.parse(data[EXTENT_HEADER.size + index * _ENTRY :][:_ENTRY])
            start = row.number("block")
            child = row.number("leaf_lo") | row.number("leaf_hi") << 32
            what: tuple[str, object, object] | None = None
            if start <= before:
                what = (
                    say("order of index {index}", index=index),
                    start,
                    say("above {before}", before=before),
                )
            elif block is not None and index == 0 and start != first:
                what = say("first block"), start, say("{first}, as its index says", first=first)
            elif not _in_volume(self.subject, child, 1):
                what = say("place of index {index}", index=index), child, say("in the volume")
            elif child in self.subject.tree_blocks:
                what = say("place of index {index}", index=index), child, say("a block of its own")
            if what is not None:
                _broken(self.subject, self.node_, self.mapping, what, block)
                continue
            before = start
            self.subject.tree_blocks.add(child)
            self.mapping.tree.append(child)
            where = (
                say("extent tree"),
                say("inode {number}, block {block}", number=self.node_.number, block=child),
            )
            below = self.subject.blocks_at(child, 1, where, Effect.LOST, self.node_.number)
            if below is None:
                self.mapping.sound = False
                continue
            self.node(below, child, level - 1, start)


@dataclass(slots=True)
class _Blocks:
    subject: Subject
    node: Node
    mapping: Mapping

    def all(self) -> None:
        """Follow the direct, indirect, double and triple indirect blocks."""
        numbers = np.frombuffer(self.node.area, "<u4").astype(np.int64)
        self._take(numbers[:_DIRECT], 0)
        each = self.subject.layout.block_bytes // _POINTER
        first = _DIRECT
        for level in (1, 2, 3):
            self._indirect(int(numbers[_DIRECT + level - 1]), level, first)
            first += each**level

    def _indirect(self, block: int, level: int, first: int) -> None:
        if not block:
            return
        subject, each = self.subject, self.subject.layout.block_bytes // _POINTER
        if not _in_volume(subject, block, 1) or block in subject.tree_blocks:
            what = (
                say("indirect block of level {level}", level=level),
                block,
                say("a block of its own in the volume"),
            )
            _broken(subject, self.node, self.mapping, what, None)
            return
        subject.tree_blocks.add(block)
        self.mapping.tree.append(block)
        where = (
            say("block list"),
            say("inode {number}, block {block}", number=self.node.number, block=block),
        )
        data = subject.blocks_at(block, 1, where, Effect.LOST, self.node.number)
        if data is None:
            self.mapping.sound = False
            return
        subject.structure.compared()
        numbers = np.frombuffer(data, "<u4").astype(np.int64)
        if level == 1:
            self._take(numbers, first)
            return
        below = each ** (level - 1)
        for index in np.flatnonzero(numbers).tolist():
            self._indirect(int(numbers[index]), level - 1, first + index * below)

    def _take(self, numbers: np.ndarray[tuple[int], np.dtype[np.int64]], first: int) -> None:
        """Add the blocks that are there, neighbours as one run."""
        layout = self.subject.layout
        there = np.flatnonzero(numbers)
        places = numbers[there]
        bad = (places <= layout.first_data_block) | (places >= layout.blocks)
        for at in np.flatnonzero(bad).tolist():
            what = (
                say("block {block}", block=first + int(there[at])),
                int(places[at]),
                say("in the volume"),
            )
            _broken(self.subject, self.node, self.mapping, what, None)
        there, places = there[~bad], places[~bad]
        if not len(there):
            return
        breaks = np.flatnonzero((np.diff(there) != 1) | (np.diff(places) != 1)) + 1
        starts = [0, *breaks.tolist()]
        ends = [*breaks.tolist(), len(there)]
        self.mapping.runs += [
            (first + int(there[low]), int(places[low]), high - low, True)
            for low, high in zip(starts, ends, strict=True)
        ]
