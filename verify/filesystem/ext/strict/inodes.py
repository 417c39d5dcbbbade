"""Every inode in use, a group at a time: its fields, its checksum, and the blocks it owns.

Source: Linux fs/ext4/inode.c (ext4_iget, ext4_inode_csum), e2fsck/pass1.c.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from google_crc32c import extend

from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.attributes import Attributes
from verify.filesystem.ext.strict.contents import Contents, Folder
from verify.filesystem.ext.strict.group_table import INODES_UNINITIALISED, GroupTable
from verify.filesystem.ext.strict.inode_bitmap import read_inode_bitmap
from verify.filesystem.ext.strict.inode_rows import (
    CASEFOLD,
    DIRECTORY,
    EA_INODE,
    ENCRYPT,
    EXTENTS,
    FORMAT,
    INLINE,
    KINDS,
    REGULAR,
    VERITY,
    Rows,
)
from verify.filesystem.ext.strict.owners import Owners
from verify.filesystem.ext.strict.special import BAD_BLOCKS, RESIZE, Special
from verify.filesystem.ext.strict.subject import Subject
from verify.structs.ext import INODE
from verify.text.message import say

if TYPE_CHECKING:
    import numpy.typing as npt

    Numbers = npt.NDArray[np.int64]

_ALL_ONES = 0xFFFFFFFF
_CHECKSUM_LO, _CHECKSUM_HI = slice(0x7C, 0x7E), slice(0x82, 0x84)
_COVERS_HIGH = 4
"""extra_isize from which the checksum's high half belongs to the inode."""
_NEEDED_FEATURE = (
    (EXTENTS, "extent"),
    (INLINE, "inline_data"),
    (ENCRYPT, "encrypt"),
    (CASEFOLD, "casefold"),
    (VERITY, "verity"),
    (EA_INODE, "ea_inode"),
)


@dataclass(slots=True)
class Inodes:
    """The inodes in use, by number, and what the folders' examination needs of them."""

    numbers: Numbers
    modes: Numbers
    links: Numbers
    flags: Numbers
    folders: list[Folder]
    attributes: Attributes

    def index(self, wanted: Numbers) -> tuple[Numbers, npt.NDArray[np.bool_]]:
        """Return where inodes stand in the columns, and which of them are there at all."""
        at = np.minimum(np.searchsorted(self.numbers, wanted), max(0, len(self.numbers) - 1))
        if not len(self.numbers):
            return at, np.zeros(len(wanted), dtype=np.bool_)
        return at, self.numbers[at] == wanted


@dataclass(slots=True)
class InodeScan:
    """Reads the inode tables from the first group to the last."""

    subject: Subject
    table: GroupTable
    special: Special
    owners: Owners
    _parts: list[tuple[Numbers, Numbers, Numbers, Numbers]] = field(default_factory=list)

    def run(self) -> Inodes:
        """Examine all groups."""
        attributes = Attributes(self.subject, self.owners)
        contents = Contents(self.subject, self.owners, attributes, self.special)
        for group in range(len(self.table)):
            self.subject.alive()
            self._group(group, contents, attributes)
        parts = self._parts or [(np.zeros(0, np.int64),) * 4]
        columns = [np.concatenate([part[at] for part in parts]) for at in range(4)]
        return Inodes(columns[0], columns[1], columns[2], columns[3], contents.folders, attributes)

    def _group(self, group: int, contents: Contents, attributes: Attributes) -> None:
        layout, table = self.subject.layout, self.table
        per_group = layout.block.number("inodes_per_group")
        marked = read_inode_bitmap(self.subject, table, group)
        count = per_group
        if layout.lazy:
            unused = int(table.number("itable_unused")[group])
            lazy = table.flags(group) & INODES_UNINITIALISED
            count = 0 if lazy or unused > per_group else per_group - unused
        first = group * per_group + 1
        if not table.sound[group]:
            reason = say(
                "inodes of group {group}: its descriptor names no possible place for them",
                group=group,
            )
            self.subject.structure.leave_out(reason)
            return
        size = layout.groups.inode_bytes
        start = int(table.number("inode_table")[group]) * layout.block_bytes
        where = (say("inode table"), say("group {group}", group=group))
        data = self.subject.bytes_at(start, count * size, where, Effect.LOST) if count else b""
        if data is None:
            return
        rows = Rows.of(data, size, first)
        used = self._in_use(rows)
        self._check_marks(rows, used, marked, group, first)
        at = np.flatnonzero(used)
        rows = rows.take(at)
        rows.offsets = start + at * size
        ordinary = self._check_fields(rows)
        contents.examine(rows, ordinary)
        for index in np.flatnonzero(ordinary & attributes.inside(rows)).tolist():
            attributes.in_inode(rows, index)
        attributes.check_inline(rows, ordinary)
        self._parts.append((rows.numbers, rows.mode, rows.links, rows.flags))

    def _in_use(self, rows: Rows) -> npt.NDArray[np.bool_]:
        """An inode with links is in use; so are the system's own, and orphans."""
        used = rows.links > 0
        extra = np.array(sorted(self.special.without_links), dtype=np.int64)
        used |= np.isin(rows.numbers, extra) & (rows.mode != 0)
        # NOTE: the list of bad blocks has no kind and no links.
        used &= rows.numbers != BAD_BLOCKS
        return used

    def _check_marks(
        self,
        rows: Rows,
        used: npt.NDArray[np.bool_],
        marked: npt.NDArray[np.bool_] | None,
        group: int,
        first: int,
    ) -> None:
        """Hold the inode bitmap against the inodes, and the group's counters against both."""
        layout, table, recorder = self.subject.layout, self.table, self.subject.allocation
        per_group = layout.block.number("inodes_per_group")
        where = (say("group descriptor"), say("group {group}", group=group))
        folders = int(((rows.mode & FORMAT == DIRECTORY) & used).sum())
        stored = int(table.number("used_dirs_count")[group])
        if stored != folders:
            self.subject.find(Effect.REPAIRED, where, "used_dirs_count", stored, folders)
        if marked is None:
            return
        recorder.compared(per_group)
        own = np.zeros(per_group, dtype=np.bool_)
        own[: len(used)] = used
        reserved = max(0, min(per_group, layout.first_inode - first))
        for index in np.flatnonzero(own & ~marked).tolist():
            self.special.unmarked(self.subject, first + index)
        own[:reserved] |= marked[:reserved]
        lost = int((marked & ~own).sum())
        if lost:
            self.special.leaked(self.subject, group, lost)
        free = per_group - int(marked.sum())
        stored = int(table.number("free_inodes_count")[group])
        if stored != free:
            self.subject.find(Effect.REPAIRED, where, "free_inodes_count", stored, free)

    def _check_fields(self, rows: Rows) -> npt.NDArray[np.bool_]:
        """Examine the fields of inodes in use; return which are whole enough to be followed."""
        subject, layout = self.subject, self.subject.layout
        subject.structure.compared(len(rows))
        good = np.ones(len(rows), dtype=np.bool_)
        extra = rows.extra
        if rows.size > INODE.size:
            bad = (extra % 4 != 0) | (INODE.size + extra > rows.size)
            for at in np.flatnonzero(bad).tolist():
                self._tell(
                    rows,
                    at,
                    "extra_isize",
                    int(extra[at]),
                    say("up to {most}", most=rows.size - 128),
                )
            good &= ~bad
        if layout.checksummed:
            self._check_checksums(rows)
        kind = rows.mode & FORMAT
        bad = ~np.isin(kind, list(KINDS)) & ~np.isin(rows.numbers, self.special.any_kind)
        for at in np.flatnonzero(bad).tolist():
            self._tell(rows, at, "mode", f"{int(rows.mode[at]):06o}", say("a kind of file"))
        good &= ~bad
        self._check_flags(rows, good)
        both = (rows.flags & EXTENTS != 0) & (rows.flags & INLINE != 0)
        for at in np.flatnonzero(both).tolist():
            self._tell(rows, at, "flags", say("extents and inline data"), say("one of them"))
        good &= ~both
        bad = (kind == REGULAR) & (rows.size_high & 0x80000000 != 0)
        for at in np.flatnonzero(bad).tolist():
            self._tell(rows, at, say("size"), int(rows.sizes[at]), say("below 2^63"))
        good &= ~bad
        self._check_deletion(rows)
        return good

    def _check_deletion(self, rows: Rows) -> None:
        """Only an inode that waits for its deletion has the next such one where its time stands."""
        for at in np.flatnonzero((rows.dtime != 0) & (rows.links > 0)).tolist():
            number = int(rows.numbers[at])
            if number not in self.special.orphans:
                where, stored = ("inode", say("inode {number}", number=number)), int(rows.dtime[at])
                self.subject.find(Effect.REPAIRED, where, "dtime", stored, 0, node=number)

    def _check_flags(self, rows: Rows, good: npt.NDArray[np.bool_]) -> None:
        """A flag means something only where the volume has the feature."""
        for flag, feature in _NEEDED_FEATURE:
            if feature in self.subject.layout.features:
                continue
            for at in np.flatnonzero(good & (rows.flags & flag != 0)).tolist():
                self._tell(
                    rows,
                    at,
                    "flags",
                    f"{flag:#x}",
                    say("{flag} only with {feature}", flag=f"{flag:#x}", feature=feature),
                )

    def _tell(self, rows: Rows, at: int, name: str, stored: object, expected: object) -> None:
        number, offset = int(rows.numbers[at]), int(rows.offsets[at])
        where = ("inode", say("inode {number}", number=number))
        # The reserve for more descriptors holds nobody's data, and is made anew.
        effect = Effect.REPAIRED if number == RESIZE else Effect.LOST
        self.subject.find(effect, where, name, stored, expected, offset=offset, node=number)

    def _check_checksums(self, rows: Rows) -> None:
        """Compare the crc32c of number, generation and inode, its own field as 0."""
        long = rows.size > INODE.size
        wide = (rows.extra >= _COVERS_HIGH) if long else np.zeros(len(rows), np.bool_)
        work = np.zeros((len(rows), 8 + rows.size), dtype=np.uint8)
        work[:, :4] = rows.numbers.astype("<u4").view(np.uint8).reshape(-1, 4)
        work[:, 4:8] = rows.stored[:, 0x64:0x68]
        work[:, 8:] = rows.stored
        work[:, 8 + 0x7C : 8 + 0x7E] = 0
        if long:
            work[wide, 8 + 0x82 : 8 + 0x84] = 0
        data, step = work.tobytes(), 8 + rows.size
        seed = self.subject.layout.seed ^ _ALL_ONES
        wanted = np.array(
            [extend(seed, data[at : at + step]) for at in range(0, len(data), step)], np.int64
        )
        wanted ^= _ALL_ONES
        stored = rows.stored[:, _CHECKSUM_LO].copy().view("<u2").ravel().astype(np.int64)
        if long:
            high = rows.stored[:, _CHECKSUM_HI].copy().view("<u2").ravel().astype(np.int64)
            stored |= np.where(wide, high << 16, 0)
        wanted = np.where(wide, wanted, wanted & 0xFFFF)
        for at in np.flatnonzero(stored != wanted).tolist():
            self._tell(rows, at, say("checksum"), f"{stored[at]:08X}", f"{wanted[at]:08X}")
