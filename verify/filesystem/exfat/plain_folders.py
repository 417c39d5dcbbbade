"""What of an exFAT folder is plain: its entry sets taken all at once, by numpy.

Where any set is not plain, nothing is taken, and `examine_folders.py` goes through them one by one
and tells what is wrong: here nothing is ever told. Sections are those of Microsoft's exFAT file
system specification 1.00.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import MOST_CLUSTERS_AT_ONCE
from verify.filesystem.exfat.entry_types import (
    ALLOCATION_POSSIBLE,
    BITMAP,
    FILE,
    FOLDER_ATTRIBUTE,
    ILLEGAL,
    IN_USE,
    LABEL,
    MOST_LABEL_UNITS,
    NAME,
    NO_FAT_CHAIN,
    SECONDARY_COUNTS,
    STREAM,
    UNITS_PER_NAME,
    UP_CASE,
)

if TYPE_CHECKING:
    from verify.filesystem.cluster_table import ClusterOwners, ClusterTable

ENTRY = 32

_FIELDS = np.dtype(
    {
        "names": ["flags", "length", "hash", "valid", "first", "size"],
        "formats": ["u1", "u1", "<u2", "<u8", "<u4", "<u8"],
        "offsets": [1, 3, 4, 8, 20, 24],
        "itemsize": ENTRY,
    }
)
"""A stream extension's fields (section 7.6)."""

_LAWFUL = np.ones(1 << 16, np.bool_)
_LAWFUL[list(ILLEGAL)] = False
_ENOUGH = 16
"""Sets of a folder from which on numpy is the faster way."""


@dataclass(frozen=True, slots=True)
class PlainFolder:
    """A folder whose sets are all in order: where each begins, and its stream extension."""

    heads: NDArray[np.int64]
    is_folder: NDArray[np.bool_]
    streams: NDArray[np.void]


def plain_folder(data: bytes, upper: NDArray[np.uint16], *, is_root: bool) -> PlainFolder | None:
    """Return what a folder holds; `None` where not all are sets of files in order.

    `upper`: for each character the one that stands for it where case does not matter.
    """
    rows = np.frombuffer(data, np.uint8).reshape(-1, ENTRY)
    kinds = rows[:, 0]
    ends = np.flatnonzero(kinds == 0)
    end = int(ends[0]) if len(ends) else len(kinds)
    if (kinds[end:] & IN_USE).any():
        return None
    kinds = kinds[:end]
    heads = np.flatnonzero(kinds == FILE)
    if len(heads) < _ENOUGH:
        return None
    counts = rows[heads, 1].astype(np.int64)
    own = np.isin(kinds, (BITMAP, UP_CASE, LABEL))
    labels = rows[np.flatnonzero(kinds == LABEL), 1]
    own_fits = is_root and len(labels) <= 1 and (labels <= MOST_LABEL_UNITS).all()
    others = (kinds & IN_USE != 0) & ~own
    fits = heads + counts < end
    whole = fits.all() and int(others.sum()) == int((counts + 1).sum())
    if not whole or (own.any() and not own_fits):
        return None
    for count in np.unique(counts).tolist():
        if count not in SECONDARY_COUNTS:
            return None
        these = heads[counts == count]
        if not _sets_in_order(rows[these[:, None] + np.arange(count + 1)], upper):
            return None
    streams = np.frombuffer(data, _FIELDS)[heads + 1]
    return PlainFolder(heads, rows[heads, 4] & FOLDER_ATTRIBUTE != 0, streams)


def _sets_in_order(sets: NDArray[np.uint8], upper: NDArray[np.uint16]) -> bool:
    """Whether sets of equally many entries are whole: kinds, checksum, name and its hash.

    `sets`: by set, entry, and byte.
    """
    number, entries, _ = sets.shape
    kinds = sets[:, :, 0]
    if not ((kinds[:, 1] == STREAM).all() and (kinds[:, 2:] == NAME).all()):
        return False
    flat = sets.reshape(number, -1)
    summed = np.delete(flat, (2, 3), axis=1)
    if (checksums(summed, np.full(number, summed.shape[1])) != _number(flat, 2)).any():
        return False
    units = np.ascontiguousarray(sets[:, 2:, 2:]).view("<u2").reshape(number, -1)
    length = sets[:, 1, 3].astype(np.int64)
    least = (entries - 3) * UNITS_PER_NAME
    if not ((length > least) & (length <= least + UNITS_PER_NAME)).all():
        return False
    named = upper[units]
    inside = np.arange(units.shape[1]) < length[:, None]
    lawful = (_LAWFUL[units] | ~inside).all()
    octets = named.astype("<u2").view(np.uint8).reshape(number, -1)
    return bool(lawful and (checksums(octets, 2 * length) == _number(flat, ENTRY + 4)).all())


def _number(flat: NDArray[np.uint8], at: int) -> NDArray[np.uint16]:
    return flat[:, at].astype(np.uint16) | flat[:, at + 1].astype(np.uint16) << np.uint16(8)


def checksums(octets: NDArray[np.uint8], lengths: NDArray[np.int64]) -> NDArray[np.uint16]:
    """Return the sums of sections 6.3.3 and 7.6.4 over so many bytes of every row."""
    total: NDArray[np.uint16] = np.zeros(len(octets), np.uint16)
    shortest = int(lengths.min())
    for column, values in enumerate(np.ascontiguousarray(octets.T)):
        following = (total >> np.uint16(1) | total << np.uint16(15)) + values.astype(np.uint16)
        if column >= shortest:
            following[column >= lengths] = total[column >= lengths]
        total = following
    return total


def take_plain_files(
    folder: PlainFolder,
    offsets: NDArray[np.int64],
    cluster_bytes: int,
    table: ClusterTable,
    owners: ClusterOwners,
) -> tuple[int, NDArray[np.int64]]:
    """Give the clusters of files that lie in one run to them.

    `offsets`: of the folder's entries. Returns how many clusters were taken, and which of the sets
    are folders, or not as plain.
    """
    streams, heads = folder.streams, folder.heads
    first = streams["first"].astype(np.int64)
    size = np.minimum(streams["size"], 1 << 62).astype(np.int64)
    needed = -(-size // cluster_bytes)
    flags = streams["flags"] & (ALLOCATION_POSSIBLE | NO_FAT_CHAIN)
    chained = flags & NO_FAT_CHAIN == 0
    inside = (first >= FIRST_CLUSTER) & (first + needed <= len(owners.marks))
    in_one = np.where(chained, table.whole_runs(first, needed), inside)
    small = (needed > 0) & (needed <= MOST_CLUSTERS_AT_ONCE) & (flags & ALLOCATION_POSSIBLE != 0)
    valid = streams["valid"] <= streams["size"]
    is_file = valid & ~folder.is_folder
    plain = (
        is_file & small & (in_one | (flags & NO_FAT_CHAIN == 0) & table.whole_runs(first, needed))
    )
    if not owners.take_many(first[plain], needed[plain], offsets[heads][plain]):
        return 0, heads
    empty = is_file & (first == 0) & (size == 0)
    return int(needed[plain].sum()), heads[~plain & ~empty]
