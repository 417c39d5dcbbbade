"""ext2, ext3 and ext4: what a filesystem says of itself."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from blake3 import blake3

from verify.filesystem.careful_reading import UNREADABLE, Reader, masked
from verify.filesystem.description import Backup, Filesystem, KeptBy, KeptTime
from verify.filesystem.ext.groups import Groups
from verify.structs.base import Record
from verify.structs.ext import (
    COMPAT,
    INCOMPAT,
    MAGIC,
    RO_COMPAT,
    SUPERBLOCK,
    SUPERBLOCK_OFFSET,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.source.window import Window

_LARGEST_BLOCK_SHIFT = 6
"""Blocks of 64 KiB at most: Linux, ext4.h, EXT4_MAX_BLOCK_LOG_SIZE 16."""

_HAS_JOURNAL = 0x0004
_NEEDS_RECOVERY, _JOURNAL_DEVICE = 0x0004, 0x0008
_ORPHANS_PRESENT = 0x10000
_JOURNAL_MAGIC = b"\xc0\x3b\x39\x98"
"""Linux, Documentation/filesystems/ext4/journal.rst."""

_CLEAN, _ERRORS, _ORPHANS = 0x1, 0x2, 0x4

_EXT2_INCOMPAT = 0x0002 | 0x0010
_EXT3_INCOMPAT = _EXT2_INCOMPAT | _NEEDS_RECOVERY
_OLD_RO_COMPAT = 0x0001 | 0x0002 | 0x0004
"""What ext2 and ext3 may have: libblkid, superblocks/ext.c."""

_VOLATILE = (
    # Free blocks and inodes; times, mounts and state; last check; the copy's own group; where it
    # was mounted; orphans; kilobytes written; errors; the checksum over all of it.
    (0x0C, 0x14),
    (0x2C, 0x36),
    (0x3A, 0x3C),
    (0x40, 0x44),
    (0x5A, 0x5C),
    (0x88, 0xC8),
    (0xE8, 0xEC),
    (0x158, 0x15C),
    (0x178, 0x180),
    (0x194, 0x200),
    (0x274, 0x27A),
    (0x3FC, 0x400),
)
_OWN_PLACE = ((0x5A, 0x5C), (0x3FC, 0x400))
"""A copy says which group it stands in, and its checksum follows from that."""

_SECOND = 1_000_000_000
_KEPT: dict[KeptBy, str] = {"superblock": "wtime", "mounted": "mtime", "checked": "lastcheck"}

_SHAPE = (
    "inodes_count",
    "blocks_count_lo",
    "blocks_count_hi",
    "first_data_block",
    "log_block_size",
    "log_cluster_size",
    "blocks_per_group",
    "inodes_per_group",
    "uuid",
)
"""What a copy must share with the superblock to stand in for it; the rest is not kept up."""


def recognise_ext(window: Window) -> ExtVolume | None:
    """Return the ext filesystem whose superblock stands at byte 1024, if one does."""
    reader = Reader(window)
    data = reader.peek(SUPERBLOCK_OFFSET, SUPERBLOCK.size)
    if len(data) < SUPERBLOCK.size:
        return None
    block = SUPERBLOCK.parse(data)
    if (
        block.number("magic") != MAGIC
        or block.number("log_block_size") > _LARGEST_BLOCK_SHIFT
        or not block.number("blocks_count_lo") | block.number("blocks_count_hi")
        or block.number("first_data_block") > 1
    ):
        return None
    groups = Groups(reader, block)
    if _features(block, "incompat") & _JOURNAL_DEVICE:
        # NOTE: the journal's own superblock follows in the next block, big-endian.
        place = max(2 * SUPERBLOCK_OFFSET, groups.block_bytes)
        proven = reader.peek(place, len(_JOURNAL_MAGIC)) == _JOURNAL_MAGIC
    elif block.number("blocks_per_group") and block.number("inodes_per_group"):
        proven = groups.first_is_sound()
    else:
        return None
    reader.unread.clear()
    return ExtVolume(reader, block, data, groups, proven)


def _features(block: Record, of: str) -> int:
    # NOTE: revision 0 has no such fields; what stands there means nothing.
    return block.number(f"feature_{of}") if block.number("rev_level") else 0


@dataclass(frozen=True, slots=True)
class ExtVolume:
    """A window with an ext superblock; `stored` are its bytes."""

    reader: Reader
    block: Record
    stored: bytes
    groups: Groups
    proven: bool

    @property
    def kind(self) -> str:
        """`ext2`, `ext3`, `ext4`, or `jbd` for a journal kept apart from its filesystem."""
        incompat, ro_compat = self._features("incompat"), self._features("ro_compat")
        if incompat & _JOURNAL_DEVICE:
            return "jbd"
        if ro_compat & ~_OLD_RO_COMPAT or incompat & ~_EXT3_INCOMPAT:
            return "ext4"
        if self._features("compat") & _HAS_JOURNAL:
            return "ext3"
        return "ext4" if incompat & ~_EXT2_INCOMPAT else "ext2"

    def describe(self) -> Filesystem:
        """Read UUID, label, state, free space and the first backup superblock."""
        block, groups = self.block, self.groups
        journal_only = self.kind == "jbd"
        free = None if journal_only else groups.free_clusters()
        size = groups.blocks * groups.block_bytes
        volume_id = block.raw("uuid")
        label = block.raw("volume_name").split(b"\0")[0].decode("utf-8", "replace")
        written = self._seconds("wtime")
        free_bytes = None if free is None else free * groups.cluster_bytes
        state = self._state()
        return Filesystem(
            kind=self.kind,
            label=label or None,
            id=str(uuid.UUID(bytes=volume_id)).upper() if any(volume_id) else None,
            version=f"{block.number('rev_level')}.{block.number('minor_rev_level')}",
            cluster_bytes=groups.cluster_bytes,
            size_bytes=size,
            used_bytes=None if free_bytes is None else size - free_bytes,
            free_bytes=free_bytes,
            free_hint_bytes=None if journal_only else groups.free_hint * groups.block_bytes,
            clean=not {"not-clean", "errors", "needs-recovery"} & set(state),
            state=state,
            log=self._log(),
            backup=None if journal_only else self._backup(),
            last_written=written or None,
            kept=() if journal_only else tuple(self._kept()),
            boot_sector_digest=blake3(masked(self.stored, *_VOLATILE)).hexdigest(),
            features=self._feature_words(),
            unread=tuple(self.reader.unread),
        )

    def _seconds(self, name: str) -> int:
        return self.block.number(name) | self.block.number(f"{name}_hi") << 32

    def _kept(self) -> Iterator[KeptTime]:
        """Yield the times of the superblock; 0 is one that was never set."""
        for by, name in _KEPT.items():
            if seconds := self._seconds(name):
                yield KeptTime(by=by, at=seconds * _SECOND, step=_SECOND)

    def _features(self, of: str) -> int:
        return _features(self.block, of)

    def _feature_words(self) -> tuple[str, ...]:
        words: list[str] = []
        for of, names in (("compat", COMPAT), ("incompat", INCOMPAT), ("ro_compat", RO_COMPAT)):
            bits = self._features(of)
            words += [word for bit, word in names.items() if bits & bit]
            unknown = bits & ~sum(names)
            if unknown:
                words.append(f"{of}-{unknown:#x}")
        return tuple(words)

    def _state(self) -> tuple[str, ...]:
        state = self.block.number("state")
        orphans = self.block.number("last_orphan") or self._features("ro_compat") & _ORPHANS_PRESENT
        said = {
            "not-clean": not state & _CLEAN,
            "errors": state & _ERRORS,
            "needs-recovery": self._features("incompat") & _NEEDS_RECOVERY,
            "orphans": state & _ORPHANS or orphans,
        }
        return tuple(word for word, holds in said.items() if holds)

    def _log(self) -> Literal["clean", "pending"] | None:
        if self._features("incompat") & _NEEDS_RECOVERY:
            return "pending"
        return "clean" if self._features("compat") & _HAS_JOURNAL else None

    def _backup(self) -> Backup | None:
        """Compare the first backup superblock with the one in use; `None`: too small for one."""
        group = self.groups.first_backup()
        if group is None:
            return None
        offset = self.groups.first_block(group) * self.groups.block_bytes
        place = f"group {group}"
        try:
            stored = self.reader.window.read(offset, SUPERBLOCK.size)
        except UNREADABLE as error:
            return Backup(place=place, offset=offset, state="unread", detail=str(error))
        copy = SUPERBLOCK.parse(stored)
        if copy.number("magic") != MAGIC:
            return Backup(place=place, offset=offset, state="missing")
        if masked(stored, *_OWN_PLACE) == masked(self.stored, *_OWN_PLACE):
            return Backup(place=place, offset=offset, state="same")
        unlike = [name for name in _SHAPE if copy.values[name] != self.block.values[name]]
        if unlike:
            return Backup(place=place, offset=offset, state="differs", detail=", ".join(unlike))
        return Backup(place=place, offset=offset, state="moved_only")
