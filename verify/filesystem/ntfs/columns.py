"""NTFS records by the thousand: the fields of all records of a piece at once, by numpy.

One record at a time costs an interpreted language some ten microseconds, which is what listing a
drive of a million files waits for. Here an operation takes one step for all records together, and
a record becomes one packed row of fixed length. Only records that are plain in every way get one:
whole, alone, no named stream, no link, no further attributes, at most one run of clusters.

Sources: libfsntfs, NTFS format, for records, attributes and run lists; the field tables are in
`verify.structs.ntfs`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.ntfs.marks import (
    BY_CASE,
    EA_TYPE,
    FILE_NAME_TYPE,
    LOGGED_STREAM_TYPE,
    REPARSE_TYPE,
    SECURITY_TYPE,
    STANDARD_TYPE,
)
from verify.filesystem.ntfs.packed_record import (
    EPOCH,
    FOLDER,
    LAST,
    MOST_BYTES,
    OWN_SECURITY,
    PLAIN,
    ROW,
    STRAIGHT,
)
from verify.filesystem.ntfs.record_decoder import (
    ATTRIBUTE_LIST_TYPE,
    DATA_TYPE,
    END_TYPE,
    FOLDER_FLAG,
    IN_USE_FLAG,
    LONGEST_NUMBER,
    MOST_CLUSTERS,
    SELF_NUMBERED_AT,
    STEP,
    STRIDE,
)
from verify.structs.ntfs import (
    ATTRIBUTE,
    FILE_RECORD,
    FILE_SIGNATURE,
    NON_RESIDENT,
    RESIDENT,
    SECURITY_ID_FIELD,
    STANDARD_INFORMATION,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from verify.structs.base import Structure

    Numbers = NDArray[np.int64]
    Marks = NDArray[np.bool_]

_COLUMNS = np.dtype(  # as `ROW`
    [
        ("marks", "u1"),
        ("sequence", "<u2"),
        ("links", "<u2"),
        ("attributes", "<u4"),
        ("security", "<u4"),
        ("created", "<i8"),
        ("modified", "<i8"),
        ("changed", "<i8"),
        ("size", "<u8"),
        ("cluster", "<u8"),
        ("clusters", "<u4"),
    ]
)

if _COLUMNS.itemsize != ROW.size:
    raise TypeError("a row of columns is not a row")

_NEVER_PLAIN = ATTRIBUTE_LIST_TYPE, REPARSE_TYPE, EA_TYPE, LOGGED_STREAM_TYPE
_INSIDE = STANDARD_TYPE, FILE_NAME_TYPE, SECURITY_TYPE
"""Attributes that are plain inside their record only."""

_MOST_ATTRIBUTES = 16
"""A record with more is not plain."""

_BEHIND = 128
"""Bytes that may be looked at behind the last record, before they are known to be none of it."""

_LOW_BYTES = np.array([(1 << 8 * count) - 1 for count in range(9)], dtype=np.uint64)


def _places(structure: Structure) -> dict[str, int]:
    return {item.name: item.offset for item in structure.fields}


_HEAD, _ATTRIBUTE, _RESIDENT = _places(FILE_RECORD), _places(ATTRIBUTE), _places(RESIDENT)
_RUNS, _TIMES = _places(NON_RESIDENT), _places(STANDARD_INFORMATION)


def rows_of(
    piece: bytes,
    record_bytes: int,
    number: int,
    clusters: int,
    security: Callable[[bytes], int],
) -> bytes:
    """Return a row (`ROW`) of each whole record in a piece of the MFT; all zeros: it is not plain.

    `record_bytes`: length of a record, a multiple of 512. `number`: that of the first record.
    `clusters`: those of the volume. `security` gives a number to a security descriptor that stands
    in a record itself.
    """
    records = PieceRecords(piece, record_bytes)
    records.repair(number)
    records.walk(min(clusters, MOST_CLUSTERS))
    records.number_own(security)
    return records.packed()


class PieceRecords:
    """The records of one piece, each known by its index.

    Places are bytes of the piece. `plain` tells of each record whether all of it was plain so far.
    """

    def __init__(self, piece: bytes, record_bytes: int) -> None:
        count = len(piece) // record_bytes
        self.first: Numbers = np.arange(count, dtype=np.int64) * record_bytes
        self.last = self.first + record_bytes
        self.strides = record_bytes // STRIDE
        self.rows = np.zeros(count, _COLUMNS)
        self.plain: Marks = np.ones(count, np.bool_)
        self.folder: Marks = np.zeros(count, np.bool_)
        self.marks = np.zeros(count, np.uint8)
        self.standard = np.zeros(count, np.uint8)
        self.unnamed = np.zeros(count, np.uint8)
        self.own: list[tuple[int, int, int]] = []
        # NOTE: a number may begin at any byte: each of these arrays has one for every byte of the
        # piece, all over the same memory.
        self.data = bytearray(count * record_bytes + _BEHIND)
        self.data[:-_BEHIND] = memoryview(piece)[: count * record_bytes]
        self.u8, self.u16, self.u32, self.u64 = (
            np.ndarray((len(self.data) - size + 1,), f"<u{size}", self.data, strides=(1,))
            for size in (1, 2, 4, 8)
        )

    def repair(self, number: int) -> None:
        """Hold the heads, and undo the fix-ups (libfsntfs, 'The fix-up values')."""
        first, plain = self.first, self.plain
        flags = self.u16[first + _HEAD["flags"]]
        kept = self.u16[first + _HEAD["fixup_offset"]].astype(np.int64)
        used = self.u32[first + _HEAD["used_bytes"]]
        begin = self.u16[first + _HEAD["first_attribute"]]
        plain &= self.u32[first] == int.from_bytes(FILE_SIGNATURE, "little")
        plain &= self.u64[first + _HEAD["base_record"]] == 0
        plain &= (flags & IN_USE_FLAG) != 0
        plain &= self.u32[first + _HEAD["allocated_bytes"]] == self.last - first
        plain &= (used <= self.last - first) & (used % STEP == 0)
        plain &= (kept + 2 * (self.strides + 1) <= begin) & (begin < used) & (begin % STEP == 0)
        plain &= self.u16[first + _HEAD["fixup_count"]] == self.strides + 1
        plain &= (kept + 2 * (self.strides + 1) <= STRIDE - 2) & (kept & 1 == 0)
        own = self.u32[first + _HEAD["number"]] == np.arange(number, number + len(first))
        plain &= own | (kept < SELF_NUMBERED_AT)
        kept = first + np.where(plain, kept, 0)
        ends = [first + STRIDE * stride - 2 for stride in range(1, self.strides + 1)]
        for end in ends:
            plain &= self.u16[end] == self.u16[kept]
        for stride, end in enumerate(ends, 1):
            self.u16[end[plain]] = self.u16[kept[plain] + 2 * stride]
        self.folder = (flags & FOLDER_FLAG) != 0
        self.rows["sequence"] = self.u16[first + _HEAD["sequence"]]
        self.rows["links"] = self.u16[first + _HEAD["links"]]

    def walk(self, clusters: int) -> None:
        """Take what the attributes say: the first of every record, then the second, and so on."""
        at = self.first + self.u16[self.first + _HEAD["first_attribute"]]
        used = self.first + self.u32[self.first + _HEAD["used_bytes"]]
        done = np.zeros(len(at), np.bool_)
        before = np.ones(len(at), np.uint32)
        which = np.nonzero(self.plain)[0]
        for _ in range(_MOST_ATTRIBUTES):
            ended = (self.u32[at[which]] == END_TYPE) & (at[which] + STEP == used[which])
            done[which[ended]] = True
            which = which[~ended]
            if not which.size:
                break
            kinds, lengths = self.u32[at[which]], self.u32[at[which] + _ATTRIBUTE["length"]]
            good = (lengths >= RESIDENT.size) & (lengths % STEP == 0) & (before[which] <= kinds)
            good &= at[which] + lengths <= used[which]
            lengths, which = lengths[good], self._hold(which, good)
            self._take(which, at[which], at[which] + lengths, clusters)
            before[which] = self.u32[at[which]]
            at[which] += lengths
            which = which[self.plain[which]]
        one = (self.standard == 1) & (self.unnamed <= 1) & (self.folder | (self.unnamed == 1))
        self.plain &= done & one

    def _hold(self, which: Numbers, good: Marks) -> Numbers:
        """Return those records that are good still; the others are not plain."""
        if good.all():
            return which
        self.plain[which[~good]] = False
        return which[good]

    def _take(self, which: Numbers, at: Numbers, ends: Numbers, clusters: int) -> None:
        """Take one attribute of each record in `which`; they lie from `at` to `ends`."""
        kinds, letters = self.u32[at], self.u8[at + _ATTRIBUTE["name_length"]]
        away, named = self.u8[at + _ATTRIBUTE["non_resident"]] != 0, letters != 0
        data, inside = kinds == DATA_TYPE, _any_of(kinds, _INSIDE)
        self.plain[which[data & named | inside & (away | named)]] = False
        self.plain[which[_any_of(kinds, _NEVER_PLAIN)]] = False
        name = self.u16[at + _ATTRIBUTE["name_offset"]].astype(np.int64)
        good = (name >= ATTRIBUTE.size) & (at + name + 2 * letters.astype(np.int64) <= ends)
        good |= ~named
        good &= self.u8[at + _ATTRIBUTE["non_resident"]] <= 1
        self._hold(which, good)
        self.unnamed[which[data & ~named]] += 1
        self.marks[which[data & ~named & (self.u16[at + _ATTRIBUTE["flags"]] == 0)]] |= STRAIGHT
        if away.any():
            self._take_runs(which[away], at[away], ends[away], clusters, data[away])
        kinds, which, data = kinds[~away], which[~away], data[~away]
        start, size = self._values(which, at[~away], ends[~away])
        self.rows["size"][which[data]] = size[data]
        self.rows["cluster"][which[data]] = start[data] - self.first[which[data]]
        for kind, take in (
            (STANDARD_TYPE, self._take_standard),
            (SECURITY_TYPE, self._take_security),
        ):
            of_kind = kinds == kind
            if of_kind.any():
                take(which[of_kind], start[of_kind], size[of_kind])

    def _values(self, which: Numbers, at: Numbers, ends: Numbers) -> tuple[Numbers, Numbers]:
        """Return where resident values begin, and how long they are: 0 if they end outside."""
        offset = self.u16[at + _RESIDENT["value_offset"]]
        size = self.u32[at + _RESIDENT["value_length"]].astype(np.int64)
        start = at + offset
        good = (offset >= RESIDENT.size) & (start + size <= ends)
        self._hold(which, good)
        return np.where(good, start, at), np.where(good, size, 0)

    def _take_standard(self, which: Numbers, start: Numbers, size: Numbers) -> None:
        good = size >= STANDARD_INFORMATION.size
        for name in ("created", "modified", "changed"):
            times = self.u64[start + _TIMES[name]]
            good &= (times > EPOCH) & (times < LAST)
            self.rows[name][which] = (times.astype(np.int64) - EPOCH) * 100
        versions = self.u32[start + _TIMES["most_versions"]], self.u32[start + _TIMES["version"]]
        good &= ~(self.folder[which] & (versions[0] == BY_CASE[0]) & (versions[1] == BY_CASE[1]))
        self.rows["attributes"][which] = self.u32[start + _TIMES["attributes"]]
        identifiers = self.u32[start + SECURITY_ID_FIELD[0]]
        self.rows["security"][which] = np.where(size >= SECURITY_ID_FIELD[1], identifiers, 0)
        self.standard[which] += 1
        self._hold(which, good)

    def _take_security(self, which: Numbers, start: Numbers, size: Numbers) -> None:
        ends = start + size
        self.own += zip(which.tolist(), start.tolist(), ends.tolist(), strict=True)

    def _take_runs(
        self, which: Numbers, at: Numbers, ends: Numbers, clusters: int, data: Marks
    ) -> None:
        """Hold the one run of each value elsewhere; none is plain too, more are not.

        `data`: those of which it is kept, since they are unnamed streams.
        """
        good = (ends - at >= NON_RESIDENT.size) & (self.u64[at + _RUNS["first_vcn"]] == 0)
        offset = self.u16[at + _RUNS["runs_offset"]]
        run = at + offset
        good &= (run < ends) & (offset >= NON_RESIDENT.size)
        run = np.where(good, run, at)
        of_length, of_start = self.u8[run] & 0xF, self.u8[run] >> 4
        none = self.u8[run] == 0
        longest = np.maximum(of_length, of_start)
        good &= none | (np.minimum(of_length, of_start) > 0) & (longest <= LONGEST_NUMBER)
        of_length, of_start = (np.minimum(item, LONGEST_NUMBER) for item in (of_length, of_start))
        middle = run + 1 + of_length
        after = middle + of_start
        length = self.u64[run + 1] & _LOW_BYTES[of_length]
        start = self.u64[middle] & _LOW_BYTES[of_start]
        negative = start > _LOW_BYTES[of_start] >> np.uint64(1)
        one = (after < ends) & (self.u8[after] == 0) & (length > 0) & ~negative
        one &= (length <= clusters) & (start <= clusters) & (start + length <= clusters)
        length, start = np.where(none, 0, length), np.where(none, 0, start)
        size = self.u64[at + _RUNS["data_size"]]
        good &= (
            (none | one) & (size <= MOST_BYTES) & (size <= self.u64[at + _RUNS["allocated_size"]])
        )
        good &= self.u64[at + _RUNS["valid_size"]] <= size
        good &= self.u64[at + _RUNS["last_vcn"]] + np.uint64(1) == length
        self._hold(which, good)
        kept = which[data]
        self.rows["size"][kept] = size[data]
        self.rows["clusters"][kept] = length[data]
        self.rows["cluster"][kept] = start[data]
        self.marks[kept[self.u64[at + _RUNS["valid_size"]][data] < size[data]]] &= ~STRAIGHT & 0xFF

    def number_own(self, security: Callable[[bytes], int]) -> None:
        """Give numbers to the descriptors that stand in the records themselves."""
        whose = [index for index, _, _ in self.own]
        self.rows["security"][whose] = [
            security(bytes(self.data[start:end])) for _, start, end in self.own
        ]
        self.marks[whose] |= OWN_SECURITY

    def packed(self) -> bytes:
        """Return the rows."""
        self.rows["size"][self.folder] = 0
        self.rows["marks"] = self.marks | PLAIN | np.where(self.folder, FOLDER, 0)
        self.rows[~self.plain] = 0
        return self.rows.tobytes()


def _any_of(kinds: NDArray[np.uint32], wanted: tuple[int, ...]) -> Marks:
    """Return which of the kinds are among those wanted."""
    found: Marks = np.logical_or.reduce([kinds == kind for kind in wanted])
    return found
