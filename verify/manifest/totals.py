"""What rows count for in a comparison where both drives have them alike.

A comparison that finds a whole segment of two listings alike adds these totals up in place of its
rows; so they say of each row what comparing it with itself would have counted.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING

from verify.manifest.draw import FILE_BLOCK_BYTES, LARGE_FILE_BYTES, blocks_in_file

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.filesystem.entry import Entry

_ENCRYPTED, _OFFLINE, _RECALLED = 0x4000, 0x1000, 0x400000
"""[MS-FSCC] 2.6."""
_SELDOM = _ENCRYPTED | _OFFLINE | _RECALLED

_CLOUD_TAG, _CLOUD_VARIANT = 0x9000001A, 0x0000F000
"""[MS-FSCC] 2.1.2.1: IO_REPARSE_TAG_CLOUD, and the bits that number its variants."""


@dataclass(slots=True)
class Totals:
    """Counts over rows; `sizes` (bytes) of the files that are drawn whole, `nodes` of hard links.

    `linked`: links of all sorts, and files with several names. `secured` tell an owner or rights,
    `attributed` have attributes, `encrypted` by the system, `placeholders` for contents elsewhere;
    `timed`: files with a modification time. `hashed`, and `hashed_bytes` of them; `drawn`: hashed
    out of `sizes` as the draw wanted; `blocks` of large files hashed out of `block_population`.
    """

    rows: int = 0
    linked: int = 0
    secured: int = 0
    attributed: int = 0
    encrypted: int = 0
    placeholders: int = 0
    timed: int = 0
    hashed: int = 0
    hashed_bytes: int = 0
    drawn: int = 0
    blocks: int = 0
    block_population: int = 0
    sizes: array[int] = field(default_factory=lambda: array("Q"))
    nodes: list[int] = field(default_factory=list)

    def is_like(self, other: Totals) -> bool:
        """Whether another counts the same, on a drive where nodes have other numbers."""
        same = all(getattr(self, name) == getattr(other, name) for name in COUNTS)
        return same and self.sizes == other.sizes and len(self.nodes) == len(other.nodes)

    def add(self, other: Totals) -> None:
        """Add what further rows count for."""
        for name in COUNTS:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.sizes.extend(other.sizes)
        self.nodes.extend(other.nodes)

    def add_listed(self, entry: Entry) -> None:
        """Count what a row says before anything is read."""
        is_file = entry.kind == "file"
        self.rows += 1
        if is_file and entry.links > 1:
            self.linked += 1
            self.nodes.append(entry.node)
        elif is_link(entry):
            self.linked += 1
        self.secured += tells_owner(entry)
        self.timed += is_file and entry.modified is not None
        if entry.attributes is None:
            return
        self.attributed += 1
        if entry.attributes & _SELDOM or entry.reparse is not None:
            self.encrypted += is_encrypted(entry)
            self.placeholders += is_placeholder(entry)

    def add_read(self, entry: Entry) -> None:
        """Count what was read of a row, and what it weighs in the draws."""
        if entry.digest is not None:
            self.hashed += 1
            self.hashed_bytes += entry.size
        elif entry.blocks:
            count = len({at for at, _ in entry.blocks if at < blocks_in_file(entry.size)})
            self.hashed += bool(count)
            self.hashed_bytes += count * FILE_BLOCK_BYTES
            self.blocks += count
        if entry.reparse_digest:
            self.hashed += entry.kind != "file"
        self.hashed_bytes += sum(stream.size for stream in entry.streams if stream.digest)
        if entry.kind != "file" or entry.boot:
            return
        if entry.size <= LARGE_FILE_BYTES:
            self.sizes.append(size_in_draw(entry))
            self.drawn += entry.digest is not None and not entry.placed
            return
        count = blocks_in_file(entry.size)
        self.block_population += count
        self.blocks += count if entry.digest is not None else 0

    def add_plain(self, sizes: Sequence[int], hashed: Sequence[int], *, placed: int = 0) -> None:
        """Count small files that have nothing but their unnamed streams.

        `sizes`: bytes of all of them; `hashed`: of those that were hashed. The draw wanted all of
        these but `placed`.
        """
        self.sizes.extend(sizes)
        self.hashed += len(hashed)
        self.hashed_bytes += sum(hashed)
        self.drawn += len(hashed) - placed


COUNTS = tuple(item.name for item in fields(Totals) if item.name not in {"sizes", "nodes"})
"""The totals that are single numbers."""


def is_link(entry: Entry) -> bool:
    """Whether a name is a symbolic link or another reparse point."""
    return entry.kind == "link" or entry.reparse is not None


def tells_owner(entry: Entry) -> bool:
    """Whether its filesystem says who owns it."""
    return entry.owner is not None or entry.security is not None


def is_encrypted(entry: Entry) -> bool:
    """Whether a file is encrypted by the system (EFS); only NTFS, FAT and exFAT have the flag."""
    plain = entry.kind != "file" or entry.mode is not None
    return not plain and bool((entry.attributes or 0) & _ENCRYPTED)


def is_placeholder(entry: Entry) -> bool:
    """Whether a file's contents are kept elsewhere and fetched when somebody opens it."""
    if entry.kind != "file" or entry.mode is not None:
        return False
    tag = int(entry.reparse, 16) if entry.reparse else 0
    cloud = tag & ~_CLOUD_VARIANT == _CLOUD_TAG
    return cloud or bool((entry.attributes or 0) & (_OFFLINE | _RECALLED))


def size_in_draw(entry: Entry) -> int:
    """Return what a file that is drawn whole weighs, in bytes: with its named streams."""
    return entry.size + sum(stream.size for stream in entry.streams)
