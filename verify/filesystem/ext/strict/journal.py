"""The journal: its superblock, and what waits in it, laid over the volume in memory.

Source: Linux Documentation/filesystems/ext4/journal.rst, fs/jbd2/journal.c and recovery.c.
"""

from __future__ import annotations

import bisect
import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.errors import PastEnd, SourceUnreadable
from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.inode_rows import FORMAT, REGULAR
from verify.filesystem.ext.strict.special import InodeReader
from verify.filesystem.ext.strict.subject import Subject
from verify.source.window import Window
from verify.structs.base import Record
from verify.structs.ext import JOURNAL_SUPERBLOCK
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.ext.strict.group_table import GroupTable

_MAGIC = 0xC03B3998
_DESCRIPTOR, _COMMIT, _REVOKE = 1, 2, 5
_WIDE, _CSUM_V2, _CSUM_V3, _FAST_COMMIT = 0x2, 0x8, 0x10, 0x20
_KNOWN_INCOMPAT = 0x3F
_CRC32C = 4
_FEWEST_BLOCKS = 1024
_ESCAPED, _SAME_UUID, _LAST = 0x1, 0x2, 0x8
_HEADER = struct.Struct(">III")
_CHECKSUM_AT = 0xFC
_COMMIT_CHECKSUM = slice(0x10, 0x14)
_FAST_BLOCKS = 256
_FAST_HEAD = 9
_UUID_BYTES = 16


@dataclass(frozen=True, slots=True)
class Overlay:
    """A volume as it is once its journal was written back: a drive whose blocks are replaced.

    `places`: by block of the volume, the block of the journal's copy, and whether its first four
    bytes were taken out because they looked like the journal's own.
    """

    under: Window
    block_bytes: int
    places: dict[int, tuple[int, bool]]
    order: list[int] = field(init=False)

    def __post_init__(self) -> None:
        """Sort the blocks once."""
        object.__setattr__(self, "order", sorted(self.places))

    @property
    def name(self) -> str:
        """The drive's name."""
        return self.under.name

    @property
    def size_bytes(self) -> int:
        """The volume's length."""
        return self.under.size_bytes

    def read_at(self, offset: int, length: int) -> bytes:
        """Return bytes of the volume, with what the journal holds of them."""
        size = self.block_bytes
        low = bisect.bisect_left(self.order, offset // size)
        high = bisect.bisect_left(self.order, -(-(offset + length) // size))
        data = self.under.read(offset, length)
        if low == high:
            return data
        whole = bytearray(data)
        for block in self.order[low:high]:
            place, escaped = self.places[block]
            copy = self.under.read(place * size, size)
            if escaped:
                copy = _MAGIC.to_bytes(4, "big") + copy[4:]
            start = block * size - offset
            first, last = max(0, start), min(length, start + size)
            whole[first:last] = copy[first - start : last - start]
        return bytes(whole)

    def window(self) -> Window:
        """Return the volume as it will be."""
        return Window(self, 0, self.under.size_bytes, self.under.sector_bytes)


def read_journal(  # noqa: PLR0911 - each has its reason
    subject: Subject, table: GroupTable
) -> Overlay | None:
    """Examine the journal; return what waits in it, or `None` where nothing does."""
    layout = subject.layout
    if "has_journal" not in layout.features:
        return None
    number = layout.block.number("journal_inum")
    if not number:
        subject.structure.leave_out(say("the journal, which lies on a device of its own"))
        return None
    reader = InodeReader(subject, table)
    inode, mapping = reader.inode(number), reader.map(number)
    where = ("journal", say("inode {number}", number=number))
    subject.structure.compared()
    if (
        inode is None
        or mapping is None
        or inode.number("mode") & FORMAT != REGULAR
        or not inode.number("links_count")
    ):
        subject.find(Effect.REFUSED, where, "inode", say("no file"), say("a file"), node=number)
        return None
    places = [place + at for _, place, count, _ in sorted(mapping.runs) for at in range(count)]
    if not mapping.sound or len(places) != mapping.end or not places:
        words = say("{places} of {end}", places=len(places), end=mapping.end)
        subject.find(Effect.REFUSED, where, say("blocks"), words, say("all of them"), node=number)
        return None
    journal = _Journal(subject, places, where)
    if not journal.read_superblock():
        return None
    if "needs_recovery" not in layout.features:
        if journal.block.number("start"):
            subject.find(
                Effect.REPAIRED, where, "start", say("a log that is not to be read"), say("none")
            )
        return None
    return journal.replay()


@dataclass(slots=True)
class _Journal:
    subject: Subject
    places: list[int]
    where: tuple[str, str]
    block: Record = field(init=False)
    seed: int = 0
    found: dict[int, tuple[int, int, bool]] = field(default_factory=dict)
    revoked: dict[int, int] = field(default_factory=dict)

    @property
    def incompat(self) -> int:
        return self.block.number("feature_incompat") if self.block.number("blocktype") > 3 else 0  # noqa: PLR2004 - version 1 has none

    @property
    def checksummed(self) -> bool:
        return bool(self.incompat & (_CSUM_V2 | _CSUM_V3))

    def _refuse(self, name: str, stored: object, expected: object) -> None:
        self.subject.find(Effect.REFUSED, self.where, name, stored, expected)

    def read_superblock(self) -> bool:
        """Examine the journal's superblock; whether the log can be read."""
        size = self.subject.layout.block_bytes
        raw = self.subject.blocks_at(self.places[0], 1, self.where, Effect.REFUSED)
        if raw is None:
            return False
        self.block = block = JOURNAL_SUPERBLOCK.parse(raw)
        self.subject.structure.compared()
        most, first = block.number("maxlen"), block.number("first")
        start = block.number("start")
        flags = self.incompat
        both = flags & _CSUM_V2 and flags & _CSUM_V3
        checks = (
            ("magic", block.number("magic") == _MAGIC, f"{_MAGIC:08X}"),
            ("blocktype", block.number("blocktype") in {3, 4}, say("3 or 4")),
            ("blocksize", block.number("blocksize") == size, size),
            (
                "maxlen",
                _FEWEST_BLOCKS <= most <= len(self.places),
                say("up to {most}", most=len(self.places)),
            ),
            ("first", 0 < first < most, say("inside the journal")),
            ("start", not start or first <= start < most, say("inside the log")),
            ("feature_incompat", not flags & ~_KNOWN_INCOMPAT and not both, say("known ones")),
            ("feature_ro_compat", flags == 0 or not block.number("feature_ro_compat"), 0),
        )
        for name, holds, expected in checks:
            if not holds:
                self._refuse(name, block.number(name), expected)
                return False
        if self.checksummed:
            stored = block.number("checksum")
            data = raw[: JOURNAL_SUPERBLOCK.size]
            wanted = crc32c(data[:_CHECKSUM_AT] + bytes(4) + data[_CHECKSUM_AT + 4 :])
            if block.number("checksum_type") != _CRC32C or stored != wanted:
                self._refuse(say("checksum"), f"{stored:08X}", f"{wanted:08X}")
                return False
        self.seed = crc32c(block.raw("uuid"))
        return True

    def _read(self, at: int) -> bytes | None:
        return self.subject.blocks_at(self.places[at], 1, self.where, Effect.REFUSED)

    @property
    def end(self) -> int:
        """The block behind the log; fast commits have theirs behind it."""
        most = self.block.number("maxlen")
        if not self.incompat & _FAST_COMMIT:
            return most
        kept = most - (self.block.number("num_fc_blocks") or _FAST_BLOCKS)
        return kept if kept > self.block.number("first") else most

    def replay(self) -> Overlay | None:  # noqa: C901 - one pass over the log
        """Read the log from its start to its last whole transaction."""
        at, sequence = self.block.number("start"), self.block.number("sequence")
        first, end = self.block.number("first"), self.end
        pending: list[tuple[int, int, bool]] = []
        withdrawn: list[int] = []
        left = end - first
        if at >= end:
            at = 0
        while at and left > 0:
            self.subject.alive()
            data = self._read(at)
            if data is None:
                return None
            magic, kind, number = _HEADER.unpack_from(data)
            if magic != _MAGIC or number != sequence or kind not in {1, 2, 5}:
                break
            if kind != _COMMIT and not self._tail_holds(data):
                break
            used = 1
            if kind == _DESCRIPTOR:
                for block, flags, check in self._tags(data):
                    place = first + (at - first + used) % (end - first)
                    if used >= left or not self._copy_holds(place, sequence, check):
                        break
                    pending.append((block, self.places[place], bool(flags & _ESCAPED)))
                    used += 1
            elif kind == _REVOKE:
                withdrawn += self._revoked(data)
            else:
                if not self._commit_holds(data):
                    break
                for block, place, escaped in pending:
                    self.found[block] = sequence, place, escaped
                self.revoked.update(dict.fromkeys(withdrawn, sequence))
                pending, withdrawn = [], []
                sequence = sequence + 1 & 0xFFFFFFFF
            left -= used
            at = first + (at - first + used) % (end - first)
        self._look_for_fast_commits(sequence)
        blocks = self.subject.layout.blocks
        places = {
            block: (place, escaped)
            for block, (number, place, escaped) in self.found.items()
            if block < blocks and not self.revoked.get(block, -1) >= number
        }
        return Overlay(self.subject.window, self.subject.layout.block_bytes, places)

    def _tail_holds(self, data: bytes) -> bool:
        if not self.checksummed:
            return True
        return int.from_bytes(data[-4:], "big") == crc32c(data[:-4] + bytes(4), self.seed)

    def _commit_holds(self, data: bytes) -> bool:
        self.subject.structure.compared()
        if not self.checksummed:
            return True
        stored = int.from_bytes(data[_COMMIT_CHECKSUM], "big")
        blank = data[: _COMMIT_CHECKSUM.start] + bytes(4) + data[_COMMIT_CHECKSUM.stop :]
        wanted = crc32c(blank, self.seed)
        if stored != wanted:
            self._refuse(say("checksum of a commit"), f"{stored:08X}", f"{wanted:08X}")
        return stored == wanted

    def _copy_holds(self, at: int, sequence: int, check: int | None) -> bool:
        data = self._read(at)
        if data is None:
            return False
        if check is None:
            return True
        wanted = crc32c(data, crc32c(sequence.to_bytes(4, "big"), self.seed))
        if not self.incompat & _CSUM_V3:
            wanted &= 0xFFFF
        if check != wanted:
            self._refuse(say("checksum of a block"), f"{check:X}", f"{wanted:X}")
        return check == wanted

    def _tags(self, data: bytes) -> Iterator[tuple[int, int, int | None]]:
        """Yield (block, flags, checksum) of the blocks that follow a descriptor."""
        flags_of, wide = self.incompat, self.incompat & _WIDE
        third = flags_of & _CSUM_V3
        size = 16 if third else 8 + (4 if wide else 0) + (2 if flags_of & _CSUM_V2 else 0)
        at, end = _HEADER.size, len(data) - (4 if self.checksummed else 0)
        while at + size <= end:
            block = int.from_bytes(data[at : at + 4], "big")
            check: int | None = None
            if third:
                flags = int.from_bytes(data[at + 4 : at + 8], "big")
                high = int.from_bytes(data[at + 8 : at + 12], "big")
                check = int.from_bytes(data[at + 12 : at + 16], "big")
            else:
                flags = int.from_bytes(data[at + 6 : at + 8], "big")
                high = int.from_bytes(data[at + 8 : at + 12], "big")
                if flags_of & _CSUM_V2:
                    check = int.from_bytes(data[at + 4 : at + 6], "big")
            yield block | (high << 32 if wide else 0), flags, check
            at += size + (0 if flags & _SAME_UUID else _UUID_BYTES)
            if flags & _LAST:
                return

    def _revoked(self, data: bytes) -> list[int]:
        size = 8 if self.incompat & _WIDE else 4
        end = min(int.from_bytes(data[12:16], "big"), len(data) - (4 if self.checksummed else 0))
        return [
            int.from_bytes(data[at : at + size], "big") for at in range(16, end - size + 1, size)
        ]

    def _look_for_fast_commits(self, sequence: int) -> None:
        if not self.incompat & _FAST_COMMIT or self.end == self.block.number("maxlen"):
            return
        try:
            size = self.subject.layout.block_bytes
            head = self.subject.window.read(self.places[self.end] * size, 12)
        except (PastEnd, SourceUnreadable):
            return
        tag, _, _, number = struct.unpack("<HHII", head)
        if tag == _FAST_HEAD and number == sequence:
            self.subject.structure.leave_out(
                say("changes that wait in the journal as fast commits")
            )
