"""Who owns which blocks, and what the block bitmaps say of it.

Source: Linux fs/ext4/balloc.c, e2fsck/pass1b.c and pass5.c.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect, Fault
from verify.filesystem.ext.strict.group_table import BLOCKS_UNINITIALISED
from verify.text.message import say

if TYPE_CHECKING:
    import numpy.typing as npt

    from verify.filesystem.ext.strict.group_table import GroupTable
    from verify.filesystem.ext.strict.subject import Subject

    Numbers = npt.NDArray[np.int64]

SYSTEM = 0
"""The owner of what describes the groups; files own by the number of their inode."""

_BITS = 8
_GROUPS_AT_ONCE = 64


@dataclass(slots=True)
class Owners:
    """Ranges of clusters with an owner each, in the order they were found."""

    ratio: int = 1
    _starts: array[int] = field(default_factory=lambda: array("q"))
    _ends: array[int] = field(default_factory=lambda: array("q"))
    _owners: array[int] = field(default_factory=lambda: array("q"))
    _columns: list[tuple[Numbers, Numbers, Numbers]] = field(default_factory=list)

    def add(self, first: int, count: int, owner: int) -> None:
        """Give blocks to an owner."""
        self._starts.append(first // self.ratio)
        self._ends.append(-(-(first + count) // self.ratio))
        self._owners.append(owner)

    def add_many(self, first: Numbers, count: Numbers, owner: Numbers) -> None:
        """Give many ranges of blocks to an owner each."""
        self._columns.append((first // self.ratio, -(-(first + count) // self.ratio), owner))

    def sorted(self) -> Ranges:
        """Return all ranges, by start."""
        own = tuple(
            np.array(values, dtype=np.int64) for values in (self._starts, self._ends, self._owners)
        )
        starts, ends, owners = (
            np.concatenate([own[at], *(column[at] for column in self._columns)]) for at in range(3)
        )
        order = np.lexsort((owners, starts))
        return Ranges(starts[order], ends[order], owners[order], np.maximum.accumulate(ends[order]))


@dataclass(frozen=True, slots=True)
class Ranges:
    """Ranges of clusters by their start; `reach`: the furthest end so far."""

    starts: Numbers
    ends: Numbers
    owners: Numbers
    reach: Numbers

    def within(self, first: int, count: int) -> Ranges:
        """Return the ranges that touch a stretch of clusters."""
        low = int(np.searchsorted(self.reach, first, "right"))
        high = int(np.searchsorted(self.starts, first + count, "left"))
        near = slice(low, max(low, high))
        touch = self.ends[near] > first
        return Ranges(
            *(column[near][touch] for column in (self.starts, self.ends, self.owners, self.reach))
        )

    def merged(self) -> tuple[Numbers, Numbers]:
        """Return ranges (starts, ends) without overlap that cover the same clusters."""
        if not len(self.starts):
            return self.starts, self.ends
        reach = np.maximum.accumulate(self.ends)
        begins = np.concatenate(([True], self.starts[1:] > reach[:-1]))
        return self.starts[begins], reach[np.concatenate((begins[1:], [True]))]


def add_system(subject: Subject, table: GroupTable, owners: Owners) -> None:
    """Give every group's superblock copy, descriptors, bitmaps and inode table to the system."""
    groups = subject.layout.groups
    places = {name: table.number(name) for name in ("block_bitmap", "inode_bitmap", "inode_table")}
    for group in range(len(table)):
        copied = groups.copied_blocks(group)
        if copied:
            owners.add(groups.first_block(group), copied, SYSTEM)
    # NOTE: with blocks of 1 KiB in clusters the superblock is block 1, and block 0 goes with it.
    if groups.first_block(0) == 0 and groups.block_bytes == 1024:  # noqa: PLR2004 - bytes
        owners.add(0, 1 + groups.copied_blocks(0), SYSTEM)
    found = table.sound
    ones = np.ones(len(table), dtype=np.int64)
    nobody = np.zeros(len(table), dtype=np.int64)
    for name, starts in places.items():
        length = groups.table_blocks if name == "inode_table" else 1
        owners.add_many(starts[found], (ones * length)[found], nobody[found])


def check_owners(subject: Subject, table: GroupTable, owners: Owners) -> None:
    """Find blocks of two owners, and hold the bitmaps against all owners."""
    ranges = owners.sorted()
    if "shared_blocks" in subject.layout.features:
        subject.allocation.leave_out(
            say("blocks with two owners: this volume shares blocks on purpose")
        )
    else:
        _find_doubles(subject, ranges)
    _check_bitmaps(subject, table, ranges)


def _find_doubles(subject: Subject, ranges: Ranges) -> None:
    starts, ends, owners, reach = ranges.starts, ranges.ends, ranges.owners, ranges.reach
    subject.allocation.compared(len(starts))
    if len(starts) < 2:  # noqa: PLR2004 - a pair
        return
    for at in np.flatnonzero(starts[1:] < reach[:-1]).tolist():
        here = at + 1
        # The range that reaches furthest before this one is the one it runs into.
        other = at
        while ends[other] != reach[at]:
            other -= 1
        first, second = int(owners[other]), int(owners[here])
        if first == second and (first == SYSTEM or subject.layout.groups.cluster_ratio > 1):
            continue
        low, high = int(starts[here]), int(min(ends[here], reach[at]))
        for one, two in {(first, second), (second, first)}:
            _overwritten(
                subject,
                one,
                say("owner"),
                say(
                    "blocks {low} to {high} also of {value}",
                    low=low,
                    high=high - 1,
                    value=_who(two),
                ),
                say("one owner"),
                low,
            )


def _who(owner: int) -> str:
    return (
        say("inode {number}", number=owner)
        if owner != SYSTEM
        else say("the groups' own structures")
    )


def _overwritten(  # noqa: PLR0913, PLR0917 - the fields of a fault
    subject: Subject, owner: int, name: str, stored: str, expected: str, cluster: int
) -> None:
    bytes_each = subject.layout.groups.cluster_bytes
    subject.allocation.fault(
        Fault(
            effect=Effect.OVERWRITTEN,
            structure="inode" if owner != SYSTEM else say("group"),
            place=_who(owner),
            field=name,
            stored=stored,
            expected=expected,
            offset=cluster * bytes_each,
            node=owner or None,
        )
    )


def _check_bitmaps(subject: Subject, table: GroupTable, ranges: Ranges) -> None:
    places = table.number("block_bitmap")
    for begin in range(0, len(table), _GROUPS_AT_ONCE):
        subject.alive()
        batch = [
            group
            for group in range(begin, min(begin + _GROUPS_AT_ONCE, len(table)))
            if table.sound[group] and not _lazy(subject, table, group)
        ]
        for group in range(begin, min(begin + _GROUPS_AT_ONCE, len(table))):
            if table.sound[group] and _lazy(subject, table, group):
                _check_lazy(subject, table, group, ranges)
        read = subject.scattered(
            [int(places[group]) for group in batch],
            lambda block: (say("block bitmap"), say("block {block}", block=block)),
            Effect.REPAIRED,
        )
        for group, (_, data) in zip(batch, read, strict=True):
            if data is not None:
                _check_bitmap(subject, table, group, data, ranges)


def _lazy(subject: Subject, table: GroupTable, group: int) -> bool:
    return subject.layout.lazy and bool(table.flags(group) & BLOCKS_UNINITIALISED)


def _span(subject: Subject, group: int) -> tuple[int, int]:
    """Return the first cluster of a group and how many it has."""
    groups = subject.layout.groups
    return groups.first_block(group) // groups.cluster_ratio, groups.clusters_of(group)


def _check_lazy(subject: Subject, table: GroupTable, group: int, ranges: Ranges) -> None:
    """A group without a bitmap is taken for empty but for the system's own blocks."""
    first, count = _span(subject, group)
    near = ranges.within(first, count)
    subject.allocation.compared(count)
    for owner in np.unique(near.owners[near.owners != SYSTEM]).tolist():
        low = int(max(first, near.starts[near.owners == owner].min()))
        stored = say("group {group} is marked as never used", group=group)
        _overwritten(subject, owner, say("block bitmap"), stored, say("in use"), low)
    system = near.owners == SYSTEM
    low_ends, high_ends = Ranges(
        np.maximum(near.starts[system], first),
        np.minimum(near.ends[system], first + count),
        near.owners[system],
        near.reach[system],
    ).merged()
    _check_free(subject, table, group, count - int((high_ends - low_ends).sum()))


def _check_bitmap(
    subject: Subject,
    table: GroupTable,
    group: int,
    data: bytes,
    ranges: Ranges,
) -> None:
    layout = subject.layout
    first, count = _span(subject, group)
    where = (say("block bitmap"), say("group {group}", group=group))
    if layout.checksummed:
        whole = layout.block.number("blocks_per_group") // layout.groups.cluster_ratio // _BITS
        stored, mask = table.checksum("block_bitmap", group)
        wanted = crc32c(data[:whole], layout.seed) & mask
        if stored != wanted:
            subject.find(Effect.REPAIRED, where, say("checksum"), f"{stored:X}", f"{wanted:X}")
    length = -(-count // _BITS)
    bits = data[:length]
    expected = np.packbits(_covered(ranges, first, count), bitorder="little").tobytes()
    tail = count % _BITS
    if tail:
        high = 0xFF << tail & 0xFF
        if bits[-1] | high != bits[-1] or data[length:].strip(b"\xff"):
            subject.find(
                Effect.REPAIRED, where, say("padding"), say("0 bits behind the end"), say("1 bits")
            )
        bits = bits[:-1] + bytes([bits[-1] & ~high & 0xFF])
    elif data[length:].strip(b"\xff"):
        subject.find(
            Effect.REPAIRED, where, say("padding"), say("0 bits behind the end"), say("1 bits")
        )
    subject.allocation.compared(count)
    if bits != expected:
        _tell_differences(subject, group, bits, expected, ranges)
    used = int.from_bytes(bits, "little").bit_count()
    _check_free(subject, table, group, count - used)


def _check_free(subject: Subject, table: GroupTable, group: int, free: int) -> None:
    stored = int(table.number("free_blocks_count")[group])
    if stored != free:
        where = (say("group descriptor"), say("group {group}", group=group))
        subject.find(Effect.REPAIRED, where, "free_blocks_count", stored, free)


def _covered(ranges: Ranges, first: int, count: int) -> npt.NDArray[np.bool_]:
    """Return which clusters of a stretch lie in one of the ranges."""
    starts, ends = ranges.within(first, count).merged()
    steps = np.zeros(count + 1, dtype=np.int8)
    steps[np.maximum(starts - first, 0)] += 1
    steps[np.minimum(ends - first, count)] -= 1
    return np.cumsum(steps[:-1], dtype=np.int8).astype(np.bool_)


def _tell_differences(
    subject: Subject,
    group: int,
    bits: bytes,
    expected: bytes,
    ranges: Ranges,
) -> None:
    first, count = _span(subject, group)
    have = np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little")[:count]
    want = np.unpackbits(np.frombuffer(expected, np.uint8), bitorder="little")[:count]
    wasted = int(((have == 1) & (want == 0)).sum())
    if wasted:
        subject.allocation.fault(
            Fault(
                effect=Effect.WASTED,
                structure=say("block bitmap"),
                place=say("group {group}", group=group),
                field=say("in use without an owner"),
                stored=say("{count} blocks", count=wasted),
                expected=say("none"),
            )
        )
    missing = first + np.flatnonzero((have == 0) & (want == 1))
    if not len(missing):
        return
    near = ranges.within(first, count)
    for start, end, owner in zip(near.starts, near.ends, near.owners, strict=True):
        hit = missing[(missing >= start) & (missing < end)]
        if len(hit):
            stored = say(
                "{count} blocks from {first} in group {group} marked free",
                count=len(hit),
                first=int(hit[0]),
                group=group,
            )
            _overwritten(
                subject, int(owner), say("block bitmap"), stored, say("in use"), int(hit[0])
            )
