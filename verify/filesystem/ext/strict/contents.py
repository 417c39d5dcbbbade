"""The contents of inodes: where they lie, whether size and count of blocks agree with that.

Source: Linux fs/ext4/inode.c and extents.c, e2fsck/pass1.c (check_blocks, check_blocks_extents).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.attributes import Attributes
from verify.filesystem.ext.strict.inode_rows import (
    DIRECTORY,
    EA_INODE,
    ENCRYPT,
    EXTENTS,
    FORMAT,
    HUGE_FILE,
    INLINE,
    LINK,
    REGULAR,
    VERITY,
)
from verify.filesystem.ext.strict.mapping import map_inode
from verify.filesystem.ext.strict.owners import Owners
from verify.filesystem.ext.strict.special import Special
from verify.filesystem.ext.strict.subject import Subject
from verify.structs.ext import EXTENT_MAGIC, LONGEST_EXTENT
from verify.text.message import say

if TYPE_CHECKING:
    import numpy.typing as npt

    from verify.filesystem.ext.strict.inode_rows import Rows
    from verify.filesystem.ext.strict.mapping import Mapping

    Numbers = npt.NDArray[np.int64]
    Marks = npt.NDArray[np.bool_]

_AREA_BYTES = 60
_SECTOR = 512
_DIRECT = 12
_POINTER = 4
_IN_INODE = 4
"""Extents that have room in an inode."""
_PREALLOCATED_AT = 0xCD
"""Blocks that a folder may have beyond its size (super.rst, s_prealloc_dir_blocks)."""


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder to be read: where its blocks lie, or the inode that holds it."""

    number: int
    generation: int
    flags: int
    size: int
    runs: tuple[tuple[int, int, int, bool], ...]
    inode: bytes
    offset: int


@dataclass(slots=True)
class Contents:
    """Follows contents, gives the blocks to their owners, and keeps the folders for later."""

    subject: Subject
    owners: Owners
    attributes: Attributes
    special: Special
    folders: list[Folder] = field(default_factory=list)

    def examine(self, rows: Rows, good: Marks) -> None:
        """Examine the contents of those inodes that are whole enough."""
        kind, flags, sizes = rows.mode & FORMAT, rows.flags, rows.sizes
        inline, accessed = flags & INLINE != 0, rows.accessed
        extents = flags & EXTENTS != 0
        short = (kind == LINK) & (sizes < _AREA_BYTES) & ~extents & ~inline
        mapped = (
            good & ((kind == REGULAR) | (kind == DIRECTORY) | (kind == LINK)) & ~inline & ~short
        )
        mapped &= ~np.isin(rows.numbers, self.special.mapped_apart)
        counts = np.zeros(len(rows), dtype=np.int64)
        ends = np.zeros(len(rows), dtype=np.int64)
        written = np.zeros(len(rows), dtype=np.int64)
        plain = mapped & (kind != DIRECTORY) & (flags & EA_INODE == 0)
        done = self._in_one_go(rows, plain & extents, counts, ends, written)
        done |= self._direct(rows, plain & ~extents, counts, ends, written)
        whole = np.ones(len(rows), dtype=np.bool_)
        for at in np.flatnonzero(mapped & ~done).tolist():
            mapping = map_inode(self.subject, rows.node(at))
            self._own(int(rows.numbers[at]), mapping)
            counts[at], ends[at], written[at] = mapping.blocks, mapping.end, mapping.written_end
            whole[at] = mapping.sound
            if flags[at] & EA_INODE:
                check = int(accessed[at])
                self.attributes.keep_value(int(rows.numbers[at]), mapping, int(sizes[at]), check)
            if kind[at] == DIRECTORY:
                self._keep(rows, at, int(sizes[at]), tuple(mapping.runs))
        for at in np.flatnonzero(good & inline & (kind == DIRECTORY)).tolist():
            self._keep(rows, at, int(sizes[at]), ())
        self.attributes.in_blocks(rows, good)
        checked = good & whole & ~np.isin(rows.numbers, self.special.mapped_apart)
        self._check_counts(rows, checked & (mapped | short | (inline & (kind != 0))), counts)
        self._check_sizes(rows, mapped & whole, ends, written)
        self._check_short(rows, good & short)

    def _keep(
        self, rows: Rows, at: int, size: int, runs: tuple[tuple[int, int, int, bool], ...]
    ) -> None:
        node = rows.node(at)
        self.folders.append(
            Folder(
                node.number,
                node.generation,
                node.flags,
                size,
                runs,
                rows.stored[at].tobytes(),
                int(rows.offsets[at]),
            )
        )

    def _own(self, number: int, mapping: Mapping) -> None:
        for _, place, count, _ in mapping.runs:
            self.owners.add(place, count, number)
        for block in mapping.tree:
            self.owners.add(block, 1, number)

    def _in_one_go(
        self, rows: Rows, wanted: Marks, counts: Numbers, ends: Numbers, written: Numbers
    ) -> Marks:
        """Take all inodes whose few extents stand in them and are sound; return which."""
        done = np.zeros(len(rows), dtype=np.bool_)
        at = np.flatnonzero(wanted)
        if not len(at):
            return done
        area = rows.areas[at].view("<u2").astype(np.int64)
        entries = area[:, 1]
        good = (area[:, 0] == EXTENT_MAGIC) & (area[:, 3] == 0)
        good &= (area[:, 2] > 0) & (area[:, 2] <= _IN_INODE) & (entries <= area[:, 2])
        low, high = self.subject.layout.first_data_block, self.subject.layout.blocks
        after = np.zeros(len(at), dtype=np.int64)
        filled = np.zeros(len(at), dtype=np.int64)
        total = np.zeros(len(at), dtype=np.int64)
        found: list[tuple[Marks, Numbers, Numbers]] = []
        for index in range(_IN_INODE):
            there = entries > index
            row = area[:, 6 + 6 * index : 12 + 6 * index]
            first, length = row[:, 0] | row[:, 1] << 16, row[:, 2]
            waits = length > LONGEST_EXTENT
            length = np.where(waits, length - LONGEST_EXTENT, length)
            place = row[:, 4] | row[:, 5] << 16 | row[:, 3] << 32
            sound = (length > 0) & (first >= after) & (first + length <= 1 << 32)
            sound &= (place > low) & (place + length <= high)
            good &= sound | ~there
            after = np.where(there, first + length, after)
            filled = np.where(there & ~waits, first + length, filled)
            total += np.where(there, length, 0)
            found.append((there, place, length))
        for there, place, length in found:
            pick = there & good
            self.owners.add_many(place[pick], length[pick], rows.numbers[at[pick]])
        self.subject.structure.compared(int(good.sum()))
        where = at[good]
        counts[where], ends[where], written[where] = total[good], after[good], filled[good]
        done[where] = True
        return done

    def _direct(
        self, rows: Rows, wanted: Marks, counts: Numbers, ends: Numbers, written: Numbers
    ) -> Marks:
        """Take all inodes whose blocks are all named in them and lie in the volume."""
        done = np.zeros(len(rows), dtype=np.bool_)
        at = np.flatnonzero(wanted)
        if not len(at):
            return done
        area = rows.areas[at].view("<u4").astype(np.int64)
        there = area[:, :_DIRECT] != 0
        low, high = self.subject.layout.first_data_block, self.subject.layout.blocks
        bad = there & ((area[:, :_DIRECT] <= low) | (area[:, :_DIRECT] >= high))
        good = ~bad.any(axis=1) & (area[:, _DIRECT:] == 0).all(axis=1)
        where = at[good]
        row, column = np.nonzero(there[good])
        places = area[good][row, column]
        self.owners.add_many(places, np.ones(len(places), np.int64), rows.numbers[where[row]])
        self.subject.structure.compared(len(where))
        counts[where] = there[good].sum(axis=1)
        last = np.where(there, np.arange(1, _DIRECT + 1), 0).max(axis=1)
        ends[where] = written[where] = last[good]
        done[where] = True
        return done

    def _check_counts(self, rows: Rows, wanted: Marks, counts: Numbers) -> None:
        """Hold the count of blocks against those that were found."""
        layout = self.subject.layout
        if layout.groups.cluster_ratio > 1:
            self.subject.structure.leave_out(
                say("counts of blocks of files: they are kept in clusters")
            )
            return
        known = wanted & ~np.isin(rows.numbers, self.attributes.with_values)
        huge = (rows.flags & HUGE_FILE != 0) & ("huge_file" in layout.features)
        high = "huge_file" in layout.features
        stored = rows.held if high else rows.held & 0xFFFFFFFF
        total = counts + (rows.attribute_block != 0)
        expected = np.where(huge, total, total * (layout.block_bytes // _SECTOR))
        for at in np.flatnonzero(known & (stored != expected)).tolist():
            number, where = (
                int(rows.numbers[at]),
                ("inode", say("inode {number}", number=rows.numbers[at])),
            )
            self.subject.find(
                Effect.REPAIRED,
                where,
                say("blocks"),
                int(stored[at]),
                int(expected[at]),
                node=number,
            )

    def _check_sizes(self, rows: Rows, wanted: Marks, ends: Numbers, written: Numbers) -> None:
        """Hold the size against the last block, and against what a file may have."""
        size = self.subject.layout.block_bytes
        spare = self.subject.layout.raw[_PREALLOCATED_AT]
        kind, sizes = rows.mode & FORMAT, rows.sizes
        blocks = sizes // size
        folder = wanted & (kind == DIRECTORY)
        short = folder & ((sizes % size != 0) | (blocks > ends) | (ends - blocks > spare))
        cut = wanted & (kind == REGULAR) & (rows.flags & VERITY == 0)
        cut &= sizes < (written - 1) * size
        cut |= wanted & (kind == REGULAR) & (sizes > self._largest(rows.flags & EXTENTS != 0))
        long = wanted & (kind == LINK) & ((sizes <= 0) | (sizes >= size) | (ends == 0))
        for at in np.flatnonzero(short | cut | long).tolist():
            number, where = (
                int(rows.numbers[at]),
                ("inode", say("inode {number}", number=rows.numbers[at])),
            )
            expected = say("what its {count} blocks hold", count=int(ends[at]))
            self.subject.find(
                Effect.LOST, where, say("size"), int(sizes[at]), expected, node=number
            )

    def _largest(self, extents: Marks) -> Numbers:
        """Return how large the driver lets a file be (ext4_max_size, ext4_max_bitmap_size)."""
        size = self.subject.layout.block_bytes
        each = size // _POINTER
        huge = "huge_file" in self.subject.layout.features
        sectors = (1 << 48) - 1 if huge else (1 << 32) - 1
        listed = min(_DIRECT + each + each**2 + each**3, sectors // (size // _SECTOR)) * size
        return np.where(extents, ((1 << 32) - 1) * size, listed)

    def _check_short(self, rows: Rows, wanted: Marks) -> None:
        """A short link ends where its size says."""
        areas, sizes = rows.areas, rows.sizes
        for at in np.flatnonzero(wanted & (rows.flags & ENCRYPT == 0)).tolist():
            text = areas[at].tobytes().split(b"\0")[0]
            size, number = int(sizes[at]), int(rows.numbers[at])
            if len(text) != size or not size:
                where = ("inode", say("inode {number}", number=number))
                self.subject.find(Effect.LOST, where, say("size"), size, len(text), node=number)
