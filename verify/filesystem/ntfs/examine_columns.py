"""NTFS records examined by the thousand: those that are regular in every way, by numpy.

Whatever is not is left to `examine_records`, which is the authority: a record taken here would have
no fault there (`tests/filesystem/ntfs/test_examine.py` holds both ways together).

Sources: as in `examine_records`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from verify.filesystem.ntfs.columns import PieceRecords
from verify.filesystem.ntfs.examine_records import (
    COMPRESSED,
    ROOT_TYPE,
    SPARSE,
    STANDARD_SIZES,
    UNIT,
)
from verify.filesystem.ntfs.examined_volume import Numbers, Words
from verify.filesystem.ntfs.marks import FILE_NAME_TYPE, SECURITY_TYPE, STANDARD_TYPE
from verify.filesystem.ntfs.name_keys import name_keys
from verify.filesystem.ntfs.record_decoder import DATA_TYPE, END_TYPE
from verify.structs.ntfs import (
    ATTRIBUTE,
    FILE_NAME,
    FILE_RECORD,
    NON_RESIDENT,
    RESIDENT,
    SECURITY_ID_FIELD,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.structs.base import Structure

    Marks = NDArray[np.bool_]

_MOST_ATTRIBUTES, _MOST_RUNS = 16, 64
_LONGEST_NUMBER = 8
_FOLDER_INDEX = int.from_bytes("$I30".encode("utf-16-le"), "little")
_FOLDER_LETTERS = 4
_OBJECT_ID_TYPE, _OBJECT_ID_BYTES = 0x40, 16
_ONCE = np.array([STANDARD_TYPE, _OBJECT_ID_TYPE, SECURITY_TYPE, 0xC0, 0xD0, 0xE0], np.uint32)
"""Attributes that a record has once, without a name."""

_OFTEN = np.array([FILE_NAME_TYPE, DATA_TYPE, ROOT_TYPE], np.uint32)
_OUTSIDE = np.array([SECURITY_TYPE, DATA_TYPE, 0xC0, 0xE0], np.uint32)
_LOW_BYTES = np.array([(1 << 8 * count) - 1 for count in range(9)], np.uint64)


def _places(structure: Structure) -> dict[str, int]:
    return {item.name: item.offset for item in structure.fields}


_HEAD, _ATTRIBUTE, _RESIDENT = _places(FILE_RECORD), _places(ATTRIBUTE), _places(RESIDENT)
_RUNS, _NAME = _places(NON_RESIDENT), _places(FILE_NAME)


@dataclass(slots=True)
class Taken:
    """The records that were taken, by index, and what they say.

    `names`: index, key and DOS mark of each; `runs`: first cluster, clusters, index; `roots`: index
    and place of each folder's root node in `data`.
    """

    plain: Marks
    folder: Marks
    sequence: NDArray[np.uint16]
    data: bytearray
    security: Numbers
    names: tuple[Numbers, Words, Marks]
    runs: tuple[Numbers, Numbers, Numbers]
    roots: list[tuple[int, int, int]] = field(default_factory=list)


def taken_at_once(
    piece: bytes, record_bytes: int, number: int, wanted: Marks, sizes: tuple[int, int]
) -> Taken:
    """Take the records of a piece of the MFT that are `wanted` and regular.

    `number` is that of the first record; `sizes`: clusters of the volume, and bytes of one.
    """
    records = _Records(piece, record_bytes)
    records.plain &= wanted
    records.repair(number)
    records.hold_heads()
    records.examine(*sizes)
    return records.taken()


class _Records(PieceRecords):
    """The records of one piece under examination."""

    def hold_heads(self) -> None:
        """Hold what `repair` does not."""
        first = self.first
        used = self.u32[first + _HEAD["used_bytes"]]
        begin = self.u16[first + _HEAD["first_attribute"]]
        fixups = self.u16[first + _HEAD["fixup_offset"]].astype(np.int64)
        behind = fixups + 2 * (self.strides + 1)
        self.plain &= self.u32[first + _HEAD["allocated_bytes"]] == self.last - first
        self.plain &= (used & 7 == 0) & (begin & 7 == 0) & (begin < used) & (begin >= behind)
        self.plain &= (fixups >= 42) & (fixups & 1 == 0)  # noqa: PLR2004 - see examine_records
        self._names: list[tuple[Numbers, Numbers]] = []
        self._runs: list[tuple[Numbers, Numbers, Numbers]] = []
        self._roots: list[tuple[Numbers, Numbers, Numbers]] = []
        count = len(first)
        self._links, self._data, self._named, self._indexes, self._standard = (
            np.zeros(count, np.uint16) for _ in range(5)
        )
        self._security = np.zeros(count, np.int64)

    def examine(self, clusters: int, cluster_bytes: int) -> None:
        """Hold every attribute: the first of each record, then the second, and so on."""
        at = self.first + self.u16[self.first + _HEAD["first_attribute"]]
        used = self.first + self.u32[self.first + _HEAD["used_bytes"]]
        last = np.zeros(len(at), np.int64)
        done = np.zeros(len(at), np.bool_)
        which = np.nonzero(self.plain)[0]
        for _ in range(_MOST_ATTRIBUTES):
            which = self._hold(which, at[which] + 8 <= used[which])
            kinds = self.u32[at[which]]
            ended = kinds == END_TYPE
            done[which[ended]] = at[which[ended]] + 8 == used[which[ended]]
            which, kinds = which[~ended], kinds[~ended]
            if not which.size:
                break
            here = at[which]
            lengths = self.u32[here + _ATTRIBUTE["length"]].astype(np.int64)
            often = np.isin(kinds, _OFTEN)
            good = (lengths >= RESIDENT.size) & (lengths & 7 == 0) & (here + lengths <= used[which])
            good &= np.isin(kinds, _ONCE) & (kinds > last[which]) | often & (kinds >= last[which])
            which, here = self._hold(which, good), here[good]
            kinds, lengths = kinds[good], lengths[good]
            self._attribute(which, here, here + lengths, kinds, (clusters, cluster_bytes))
            last[which] = kinds
            at[which] = here + lengths
            which = which[self.plain[which]]
        links = self.u16[self.first + _HEAD["links"]]
        self.plain &= done & (self._standard == 1) & (links > 0) & (self._links == links)
        self.plain &= self._named <= 1
        self.plain &= np.where(
            self.folder, (self._indexes == 1) & (self._data == 0), self._data == 1
        )
        self.plain &= self.folder | (self._indexes == 0)

    def _attribute(
        self, which: Numbers, at: Numbers, ends: Numbers, kinds: Words, sizes: tuple[int, int]
    ) -> None:
        """Hold one attribute of each record in `which`."""
        away = self.u8[at + _ATTRIBUTE["non_resident"]]
        letters = self.u8[at + _ATTRIBUTE["name_length"]].astype(np.int64)
        name_at = self.u16[at + _ATTRIBUTE["name_offset"]].astype(np.int64)
        least = np.where(away != 0, NON_RESIDENT.size, RESIDENT.size)
        name_end = np.where(letters > 0, name_at + 2 * letters, 0)
        data, root = kinds == DATA_TYPE, kinds == ROOT_TYPE
        flags = self.u16[at + _ATTRIBUTE["flags"]]
        good = (away <= 1) & (at + least <= ends) & (at + name_end <= ends)
        good &= (flags & ~np.uint16(COMPRESSED | SPARSE)) == 0
        good &= (letters == 0) | (data | root) & (name_at >= least) & (name_at & 1 == 0)
        good &= (away == 0) | np.isin(kinds, _OUTSIDE)
        spelled = self.u64[np.where(root & good, at + name_at, at)] == _FOLDER_INDEX
        good &= ~root | spelled & (letters == _FOLDER_LETTERS)
        self._data[which[data & (letters == 0)]] += 1
        self._named[which[data & (letters > 0)]] += 1
        self._indexes[which[root]] += 1
        self._hold(which, good)
        for outside in (False, True):
            chosen = good & ((away != 0) == outside)
            if not chosen.any():
                continue
            behind = np.maximum(name_end, least)[chosen]
            if outside:
                self._outside(which[chosen], at[chosen], ends[chosen], behind, sizes)
            else:
                self._inside(which[chosen], at[chosen], ends[chosen], behind, kinds[chosen])

    def _inside(
        self, which: Numbers, at: Numbers, ends: Numbers, behind: Numbers, kinds: Words
    ) -> None:
        """Hold values that stand in their records."""
        start = self.u16[at + _RESIDENT["value_offset"]].astype(np.int64)
        size = self.u32[at + _RESIDENT["value_length"]].astype(np.int64)
        good = (start >= behind) & (start & 7 == 0) & (at + start + size <= ends)
        start = np.where(good, at + start, at)
        standard, name = kinds == STANDARD_TYPE, kinds == FILE_NAME_TYPE
        good &= ~standard | np.isin(size, list(STANDARD_SIZES))
        good &= (kinds != _OBJECT_ID_TYPE) | (size >= _OBJECT_ID_BYTES)
        letters = self.u8[start + np.where(name & good, _NAME["length"], 0)].astype(np.int64)
        good &= ~name | (letters > 0) & (size == FILE_NAME.size + 2 * letters)
        good &= (kinds != ROOT_TYPE) | (size >= 32)  # noqa: PLR2004 - the heads of root and node
        self._hold(which, good)
        self._standard[which[standard]] += 1
        longest = good & standard & (size == max(STANDARD_SIZES))
        self._security[which[longest]] = self.u32[start[longest] + SECURITY_ID_FIELD[0]]
        chosen = good & name
        self._links[which[chosen]] += 1
        self._names.append((which[chosen], start[chosen]))
        chosen = good & (kinds == ROOT_TYPE)
        if chosen.any():
            self._roots.append((which[chosen], start[chosen], size[chosen]))

    def _outside(
        self,
        which: Numbers,
        at: Numbers,
        ends: Numbers,
        behind: Numbers,
        sizes: tuple[int, int],
    ) -> None:
        """Hold values that lie in clusters, and take their runs."""
        clusters, cluster_bytes = sizes
        flags = self.u16[at + _ATTRIBUTE["flags"]]
        run = self.u16[at + _RUNS["runs_offset"]].astype(np.int64)
        allocated, size, valid = (
            self.u64[at + _RUNS[name]] for name in ("allocated_size", "data_size", "valid_size")
        )
        good = (run >= behind) & (at + run < ends) & (self.u64[at + _RUNS["first_vcn"]] == 0)
        good &= (size <= allocated) & (valid <= size)
        unit = self.u16[at + _RUNS["compression_unit"]]
        good &= (unit == 0) & (flags & COMPRESSED == 0) | (unit == UNIT) & (flags != 0)
        good &= allocated <= np.uint64(clusters) * np.uint64(cluster_bytes)
        count = self._decoded(
            which[good],
            np.where(good, at + run, at)[good],
            ends[good],
            (flags[good] & (COMPRESSED | SPARSE)) != 0,
            clusters,
        )
        rows = np.nonzero(good)[0]
        last = self.u64[at[rows] + _RUNS["last_vcn"]] + np.uint64(1)
        whole = (count.astype(np.uint64) == last) & (count >= 0)
        whole &= (count * cluster_bytes).astype(np.uint64) == allocated[rows]
        good[rows] = whole
        self._hold(which, good)

    def _decoded(
        self, which: Numbers, at: Numbers, ends: Numbers, holes: Marks, clusters: int
    ) -> Numbers:
        """Take the runs that begin at `at`; return how many clusters they have, -1 if not good."""
        totals = np.zeros(len(which), np.int64)
        cluster = np.zeros(len(which), np.int64)
        left = np.arange(len(which))
        at = at.copy()
        for _ in range(_MOST_RUNS):
            left = left[self.u8[at[left]] != 0]
            if not left.size:
                return totals
            here = at[left]
            of_length = (self.u8[here] & 15).astype(np.int64)
            of_start = (self.u8[here] >> 4).astype(np.int64)
            middle = here + 1 + of_length
            after = middle + of_start
            good = (of_length > 0) & (np.maximum(of_length, of_start) <= _LONGEST_NUMBER)
            good &= (after < ends[left]) & ((of_start > 0) | holes[left])
            of_length, of_start = (np.where(good, item, 0) for item in (of_length, of_start))
            length = self.u64[here + 1] & _LOW_BYTES[of_length]
            good &= (length > 0) & (length <= clusters)
            step = self.u64[np.where(good, middle, here)] & _LOW_BYTES[of_start]
            shift = (64 - 8 * of_start).astype(np.uint64) % np.uint64(64)
            moved = (step << shift).view(np.int64) >> shift.astype(np.int64)
            moved = np.where(of_start > 0, moved, 0)
            good &= np.abs(moved) <= clusters
            length = np.where(good, length, 0).astype(np.int64)
            place = cluster[left] + np.where(good, moved, 0)
            solid = good & (of_start > 0)
            good &= ~solid | (place >= 0) & (place + length <= clusters)
            solid &= good
            self._runs.append((place[solid], length[solid], which[left[solid]]))
            totals[left] = np.where(good, totals[left] + length, -1)
            cluster[left] = place
            at[left] = after
            left = left[good]
            totals[left[totals[left] > clusters]] = -1
            left = left[totals[left] >= 0]
        totals[left] = -1
        return totals

    def taken(self) -> Taken:
        """Return what was taken of the records that are regular to their end."""
        plain = self.plain
        names = [self._of_plain(*part) for part in self._names]
        owners, starts = _joined(names, 2)
        keys, short = name_keys(self.data, starts)
        first, count, whose = _joined(self._runs, 3)
        chosen = plain[whose]
        roots = _joined([self._of_plain(*part) for part in self._roots], 3)
        return Taken(
            plain,
            self.folder,
            self.u16[self.first + _HEAD["sequence"]],
            self.data,
            np.unique(self._security[plain]),
            (owners, keys, short),
            (first[chosen], count[chosen], whose[chosen]),
            list(zip(*(column.tolist() for column in roots), strict=True)),
        )

    def _of_plain(self, which: Numbers, *columns: Numbers) -> tuple[Numbers, ...]:
        chosen = self.plain[which]
        return which[chosen], *(column[chosen] for column in columns)


def _joined(parts: Sequence[tuple[Numbers, ...]], count: int) -> tuple[Numbers, ...]:
    return tuple(
        np.concatenate([np.zeros(0, np.int64), *(part[index] for part in parts)])
        for index in range(count)
    )
