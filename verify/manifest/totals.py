"""What names count for in a comparison, row by row or a whole segment at once.

A comparison that finds a whole segment of two listings alike adds its totals up in place of its
rows. Both are counted by the same functions: a segment's rows as if each were compared with itself.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING

from verify.manifest.draw import FILE_BLOCK_BYTES, LARGE_FILE_BYTES, blocks_in

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verify.filesystem.entry import Entry, Stream

_ENCRYPTED, _OFFLINE, _RECALLED = 0x4000, 0x1000, 0x400000
"""[MS-FSCC] 2.6."""
_SELDOM = _ENCRYPTED | _OFFLINE | _RECALLED

_CLOUD_TAG, _CLOUD_VARIANT = 0x9000001A, 0x0000F000
"""[MS-FSCC] 2.1.2.1: IO_REPARSE_TAG_CLOUD, and the bits that number its variants."""


@dataclass(slots=True)
class Totals:
    """Counts over names that two listings have in common; of a segment, compared with itself.

    `rows`: names. `linked`: links of all sorts, and files with several names. `secured`: both tell
    an owner or rights; `attributed`: both have attributes, of which `encrypted` by the system and
    `placeholders` for contents elsewhere; `timed`: files with a modification time. `hashed`, and
    `hashed_bytes` of them; `sizes`: bytes of each file that is drawn whole, `drawn`: how many of
    them were hashed as the draw wanted; `blocks` of large files hashed out of `block_population`.
    `nodes`: of a segment's hard links, each drive's own.
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

    @property
    def population(self) -> int:
        """How many files take part in the draw of whole files."""
        return len(self.sizes)

    def is_like(self, other: Totals) -> bool:
        """Whether another counts the same, on a drive where nodes have other numbers."""
        same = all(getattr(self, name) == getattr(other, name) for name in COUNTS)
        return same and self.sizes == other.sizes and len(self.nodes) == len(other.nodes)

    def add(self, other: Totals) -> None:
        """Add what further rows of one listing count for."""
        self.add_alike(other)
        self.nodes.extend(other.nodes)

    def add_alike(self, other: Totals) -> None:
        """Add what rows count for that two listings have alike."""
        for name in COUNTS:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.sizes.extend(other.sizes)

    def add_listed(self, entry: Entry) -> None:
        """Count what a row says before anything is read."""
        self.rows += 1
        self.add_marks(entry, entry)
        self.timed += both_timed(entry, entry)
        if entry.kind == "file" and entry.links > 1:
            self.nodes.append(entry.node)

    def add_marks(self, old: Entry, new: Entry) -> None:
        """Count a name of one kind on both sides by what it keeps beside its contents."""
        self.linked += is_link(old) or (old.links > 1 and old.kind == "file")
        self.secured += tells_owner(old) and tells_owner(new)
        if old.attributes is None or new.attributes is None:
            return
        self.attributed += 1
        if old.attributes & _SELDOM or old.reparse is not None:
            self.encrypted += is_encrypted(old)
            self.placeholders += is_placeholder(old)

    def add_read(self, old: Entry, new: Entry, block_bytes: int = FILE_BLOCK_BYTES) -> None:
        """Count what was read of a name on both sides, and what it weighs in the draws.

        Files have one size on both; `block_bytes`: of the blocks that large ones are read in.
        """
        whole = old.digest is not None and new.digest is not None
        blocks = blocks_in(old.size, block_bytes)
        if whole:
            self.hashed += 1
            self.hashed_bytes += old.size
        else:
            common = len(common_blocks(old, new, blocks))
            self.hashed += bool(common)
            self.hashed_bytes += common * block_bytes
            self.blocks += common
        if old.reparse_digest and new.reparse_digest:
            self.hashed += old.kind != "file"
        self.hashed_bytes += sum(stream.size for stream, _ in common_streams(old, new))
        if not is_in_draw(old, new):
            return
        if old.size <= LARGE_FILE_BYTES:
            self.sizes.append(size_in_draw(old))
            self.drawn += is_drawn(old, new)
            return
        self.block_population += blocks
        self.blocks += blocks if whole else 0

    def add_plain(self, sizes: Sequence[int], hashed: Sequence[int], *, placed: int = 0) -> None:
        """Count small files that have nothing but their unnamed streams, as `add_read` does.

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


def both_timed(old: Entry, new: Entry) -> bool:
    """Whether a name is a file whose modification times can be compared."""
    return old.kind == "file" and old.modified is not None and new.modified is not None


def common_blocks(old: Entry, new: Entry, blocks: int) -> set[int]:
    """Return which of a file's blocks were hashed on both sides."""
    if not (old.blocks and new.blocks):
        return set()
    common = dict(old.blocks).keys() & dict(new.blocks).keys()
    return {index for index in common if 0 <= index < blocks}


def common_streams(old: Entry, new: Entry) -> Iterator[tuple[Stream, Stream]]:
    """Yield the named streams of one size that were hashed on both sides."""
    others = {stream.name: stream for stream in new.streams}
    for stream in old.streams:
        other = others.get(stream.name)
        if other and other.size == stream.size and stream.digest and other.digest:
            yield stream, other


def is_in_draw(old: Entry, new: Entry) -> bool:
    """Whether a file of one size takes part in a draw: what is always read does not."""
    read_always = old.boot or new.boot
    return old.kind == "file" and not read_always and not (old.unhashed or new.unhashed)


def is_drawn(old: Entry, new: Entry) -> bool:
    """Whether a file was hashed on both sides because the draw wanted it."""
    whole = old.digest is not None and new.digest is not None
    return whole and not (old.placed or new.placed)
