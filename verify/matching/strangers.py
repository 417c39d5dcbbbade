"""Whether two drives have anything in common: identifiers, or else the names of their files."""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.file import Manifest
    from verify.manifest.header import Header

MOST_NAMES = 500_000
"""Files of each drive whose names are held against the other's."""

_NO_ID = frozenset({None, "", "0" * 8, "00000000-0000-0000-0000-000000000000"})


def identifiers(header: Header) -> set[tuple[str, str | None]]:
    """Return what identifies a drive and what is on it: of disk, partitions and filesystems.

    A damaged table's own headers count, and so do filesystems that no table names any more.
    """
    table = header.table
    held = [("disk", table.disk_id)]
    held += [("disk", copy.disk_guid) for copy in (table.primary, table.backup) if copy]
    for item in header.partitions:
        held += [("partition", item.guid), (item.filesystem.kind, item.filesystem.id)]
        if item.view is not None:
            held.append((item.view.filesystem.kind, item.view.filesystem.id))
    held += [(item.kind, item.id) for item in header.remains]
    return {(what, name) for what, name in held if name not in _NO_ID}


def names_in_common(source: Manifest, target: Manifest) -> tuple[int, int]:
    """Return how many files of the source have a namesake of their size on the target, and of all.

    Wherever it lies there: a copy may have other partitions. Empty files do not count.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    there = set(islice(_names(target), MOST_NAMES))
    found = total = 0
    for name in islice(_names(source), MOST_NAMES):
        total += 1
        found += name in there
    return found, total


def _names(manifest: Manifest) -> Iterator[tuple[str, int]]:
    for partition in manifest.header.partitions:
        if partition.listing is None and partition.view is None:
            continue
        for entry in manifest.entries(partition.number):
            if entry.kind == "file" and entry.size:
                yield entry.path.rpartition("/")[2], entry.size
