"""What of a FAT folder is plain: taken for all its entries at once, by numpy.

Where any entry is not plain, nothing is taken, and `examine_folders.py` goes through them one by
one and tells what is wrong: here nothing is ever told.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from verify.filesystem.cluster_table import MOST_CLUSTERS_AT_ONCE
from verify.filesystem.fat.entry_names import (
    ATTRIBUTES,
    DELETED,
    END,
    FOLDER,
    ILLEGAL,
    LAST_PART,
    LONG_NAME,
    MOST_PARTS,
    SPACE,
    VOLUME_LABEL,
)

if TYPE_CHECKING:
    from verify.filesystem.cluster_table import ClusterOwners, ClusterTable

    Mask = NDArray[np.bool_]

ROW = np.dtype(
    {
        "names": ["name", "attributes", "kind", "checksum", "high", "low", "size"],
        "formats": ["V11", "u1", "u1", "u1", "<u2", "<u2", "<u4"],
        "offsets": [0, 11, 12, 13, 20, 26, 28],
        "itemsize": 32,
    }
)
"""A short entry's fields (FAT 1.03, 'FAT Directory Structure'), and of a long one's part."""

_IS_ILLEGAL = np.isin(np.arange(256), list(ILLEGAL))


@dataclass(frozen=True, slots=True)
class PlainFolder:
    """A folder whose names are all in order: where its folders and its files stand."""

    rows: NDArray[np.void]
    folders: NDArray[np.int64]
    files: NDArray[np.int64]

    @property
    def has_high_halves(self) -> bool:
        """Whether an entry has the high half of a cluster, which FAT32 alone has."""
        high = self.rows["high"]
        return bool(high[self.files].any() or high[self.folders].any())


def plain_folder(data: bytes, *, is_root: bool) -> PlainFolder | None:
    """Return what a folder holds; `None` where its names are not all in order.

    The entries `.` and `..` are not among its folders, and not looked at.
    """
    every = np.frombuffer(data, np.uint8).reshape(-1, ROW.itemsize)
    first = every[:, 0]
    ends = np.flatnonzero(first == END)
    end = int(ends[0]) if len(ends) else len(first)
    behind = first[end:]
    if ((behind != END) & (behind != DELETED)).any():
        return None
    octets, rows, first = every[:end], np.frombuffer(data, ROW)[:end], first[:end]
    attributes = rows["attributes"] & ATTRIBUTES
    is_long = (first != DELETED) & (attributes == LONG_NAME)
    is_short = (first != DELETED) & ~is_long
    in_order = is_root or (end > 1 and is_short[:2].all())
    if not is_root:
        is_short[:2] = False
    if not (in_order and _names_in_order(octets, rows, is_long, is_short)):
        return None
    labels = np.flatnonzero(is_short & (attributes & VOLUME_LABEL != 0))
    is_short[labels] = False
    items = np.flatnonzero(is_short)
    if len(labels) > is_root or rows[labels]["low"].any() or rows[labels]["size"].any():
        return None
    if not _names_are_lawful(octets[items, :11]):
        return None
    is_folder = attributes[items] & FOLDER != 0
    return PlainFolder(rows, items[is_folder], items[~is_folder])


def _names_are_lawful(names: NDArray[np.uint8]) -> bool:
    """Whether short names are such, and each is there once."""
    flat = names.tobytes()
    return (
        not _IS_ILLEGAL[names].any()
        and not (names[:, 0] == SPACE).any()
        and len({flat[at : at + 11] for at in range(0, len(flat), 11)}) == len(names)
    )


def _names_in_order(
    octets: NDArray[np.uint8], rows: NDArray[np.void], is_long: Mask, is_short: Mask
) -> bool:
    """Whether the parts of every long name follow each other, down to their short entry."""
    parts = np.flatnonzero(is_long)
    if not len(parts):
        return True
    if parts[-1] + 1 == len(rows):
        return False
    marks = octets[parts, 0]
    order, begins = marks & ~np.uint8(LAST_PART), marks & LAST_PART != 0
    before, checksums = parts - 1, rows["checksum"]
    last = order == 1
    ends = parts[last]
    return bool(
        np.where(last, is_short[parts + 1], is_long[parts + 1]).all()
        and (begins != (is_long[before] & (parts > 0))).all()
        and (begins | (octets[before, 0] & ~np.uint8(LAST_PART) == order + 1)).all()
        and (begins | (checksums[parts] == checksums[before])).all()
        and ((order > 0) & (order <= MOST_PARTS)).all()
        and (rows["attributes"][parts] == LONG_NAME).all()
        and not rows["kind"][parts].any()
        and not rows["low"][parts].any()
        and (_short_checksums(octets[ends + 1, :11]) == checksums[ends]).all()
    )


def take_plain_files(  # noqa: PLR0913 - what the walk has
    folder: PlainFolder,
    nodes: NDArray[np.int64],
    cluster_bytes: int,
    table: ClusterTable,
    owners: ClusterOwners,
    *,
    high: bool,
) -> tuple[int, NDArray[np.int64]]:
    """Give the clusters of files that lie in one run to them.

    `nodes`: of every entry of the folder. `high`: clusters have a high half. Returns how many
    clusters were taken, and where the files stand that are not as plain.
    """
    rows = folder.rows[folder.files]
    first = rows["low"].astype(np.int64)
    if high:
        first += rows["high"].astype(np.int64) << 16
    needed = -(-rows["size"].astype(np.int64) // cluster_bytes)
    small = (needed > 0) & (needed <= MOST_CLUSTERS_AT_ONCE)
    plain = small & table.whole_runs(first, needed)
    if not owners.take_many(first[plain], needed[plain], nodes[folder.files][plain]):
        return 0, folder.files
    empty = (first == 0) & (needed == 0)
    return int(needed[plain].sum()), folder.files[~plain & ~empty]


def _short_checksums(names: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return what the parts of long names keep of their short ones (FAT 1.03, 'Long Names')."""
    total = np.zeros(len(names), np.uint8)
    for column in range(names.shape[1]):
        total = (total >> np.uint8(1) | total << np.uint8(7)) + names[:, column]
    return total
