"""Folders: every block's entries, lengths and checksum, and the names they give to inodes.

Source: Linux fs/ext4/dir.c (__ext4_check_dir_entry), namei.c, inline.c; e2fsck/pass2.c.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.folder_names import ENCODED_BLOCK, entry_length
from verify.filesystem.ext.strict.attributes import Attributes
from verify.filesystem.ext.strict.contents import Folder
from verify.filesystem.ext.strict.hash_tree import HashTree, Leaf
from verify.filesystem.ext.strict.inode_rows import AREA, CASEFOLD, ENCRYPT, INDEX, INLINE
from verify.filesystem.ext.strict.subject import Subject, place_of
from verify.structs.ext import FOLDER_ENTRY
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    Numbers = npt.NDArray[np.int64]

_unpack = FOLDER_ENTRY.packed("inode", "rec_len", "name_len", "file_type").unpack_from
_HEAD = FOLDER_ENTRY.size
_SHORTEST = 12
_TAIL_BYTES, _TAIL_KIND = 12, 0xDE
_HASH_BYTES = 8
"""What an entry of a folder that is encrypted and folds case has behind its name."""
_PARENT_BYTES = 4
_SHORTEST_ENCRYPTED = 16


@dataclass(slots=True)
class Names:
    """The names of a volume as columns: which folder gives one to which inode, as what kind."""

    folders: array[int] = field(default_factory=lambda: array("I"))
    counts: array[int] = field(default_factory=lambda: array("I"))
    inodes: array[int] = field(default_factory=lambda: array("I"))
    kinds: array[int] = field(default_factory=lambda: array("B"))
    parents: dict[int, int] = field(default_factory=dict)
    """What each folder's `..` names."""


@dataclass(slots=True)
class FolderScan:
    """Reads the folders one after the other."""

    subject: Subject
    attributes: Attributes
    names: Names = field(default_factory=Names)

    def run(self, folders: list[Folder]) -> Names:
        """Examine folders in the order of their first blocks."""
        order = sorted(folders, key=lambda folder: folder.runs[0][1] if folder.runs else 0)
        for at, folder in enumerate(order):
            if at % 256 == 0:
                self.subject.alive()
            _OneFolder(self.subject, folder, self.names).run(self.attributes)
        return self.names


@dataclass(slots=True)
class _OneFolder:
    subject: Subject
    folder: Folder
    names: Names
    own: list[bytes] = field(default_factory=list)
    before: int = 0

    def run(self, attributes: Attributes) -> None:
        self.before = len(self.names.inodes)
        if self.folder.flags & INLINE:
            self._inline(attributes)
        else:
            self._blocks()
        if len(set(self.own)) != len(self.own):
            twice = len(self.own) - len(set(self.own))
            self._tell(
                Effect.LOST, say("names"), say("{count} twice", count=twice), say("each once")
            )
        self.names.folders.append(self.folder.number)
        self.names.counts.append(len(self.names.inodes) - self.before)
        self.subject.structure.compared(len(self.own) + 1)

    def _tell(
        self, effect: Effect, name: str, stored: object, expected: object, block: int | None = None
    ) -> None:
        number = self.folder.number
        place = place_of(number, block)
        self.subject.find(effect, (say("folder"), place), name, stored, expected, node=number)

    def _inline(self, attributes: Attributes) -> None:
        area = self.folder.inode[AREA]
        self.names.parents[self.folder.number] = int.from_bytes(area[:_PARENT_BYTES], "little")
        rest = attributes.inline.get(self.folder.number)
        for part in (area[_PARENT_BYTES:], rest or b""):
            if part:
                self._entries(part, len(part), None)

    def _blocks(self) -> None:
        if not self.folder.runs:
            self._tell(Effect.LOST, say("blocks"), say("none"), say("at least one"))
        tree = None
        if self.folder.flags & INDEX and "dir_index" in self.subject.layout.features:
            tree = HashTree(self.subject, self.folder)
        leaves: list[Leaf] = []
        expected = 0
        for number, data in self._read():
            if number != expected:
                self._tell(Effect.REPAIRED, say("blocks"), say("a hole"), say("none"), expected)
            expected = number + 1
            if data is None:
                continue
            if tree is not None and tree.takes(number, data):
                if number == 0:
                    self._dots(data)
                continue
            start = len(self.own)
            self._leaf(number, data)
            if tree is not None:
                leaves.append(Leaf(number, self.own[start:]))
        if tree is not None:
            tree.check(leaves)

    def _read(self) -> Iterator[tuple[int, bytes | None]]:
        """Yield (block of the folder, its bytes) in order."""
        subject, folder = self.subject, self.folder
        numbers: list[int] = []
        places: list[int] = []
        most = folder.size // subject.layout.block_bytes
        for first, place, count, written in folder.runs:
            if not written:
                self._tell(
                    Effect.LOST, say("blocks"), say("not yet written"), say("written"), first
                )
                continue
            for at in range(min(count, max(0, most - first))):
                numbers.append(first + at)
                places.append(place + at)
        name = (say("folder"), say("inode {number}", number=folder.number))
        read = subject.scattered(places, lambda _: name, Effect.LOST)
        for number, (_, data) in zip(numbers, read, strict=True):
            yield number, data

    def _leaf(self, number: int, data: bytes) -> None:
        end = len(data)
        layout = self.subject.layout
        if layout.checksummed:
            end -= _TAIL_BYTES
            inode, length, name, kind = _unpack(data, end)
            if (inode, length, name, kind) != (0, _TAIL_BYTES, 0, _TAIL_KIND):
                self._tell(
                    Effect.LOST, say("checksum"), say("none"), say("one at the block's end"), number
                )
                end = len(data)
            else:
                seed = layout.inode_seed(self.folder.number, self.folder.generation)
                check, wanted = int.from_bytes(data[-4:], "little"), crc32c(data[:end], seed)
                if check != wanted:
                    self._tell(
                        Effect.LOST, say("checksum"), f"{check:08X}", f"{wanted:08X}", number
                    )
        start = self._dots(data) if number == 0 else 0
        self._entries(data, end, number, start)

    def _dots(self, data: bytes) -> int:
        """Examine `.` and `..`; return where the entries behind them begin."""
        own, length, size, _ = _unpack(data, 0)
        number = self.folder.number
        if size != 1 or data[_HEAD : _HEAD + 1] != b"." or own != number:
            self._tell(
                Effect.REPAIRED,
                say("the entry ."),
                say("inode {number}", number=own),
                say("inode {number}", number=number),
                0,
            )
            if size != 1 or length < _SHORTEST or length % 4 or length > len(data) - _SHORTEST:
                return 0
        if length < _SHORTEST or length % 4 or length > len(data) - _SHORTEST:
            self._tell(Effect.LOST, say("length of the entry ."), length, _SHORTEST, 0)
            return len(data)
        parent, more, size, _ = _unpack(data, length)
        if size != 2 or data[length + _HEAD : length + _HEAD + 2] != b"..":  # noqa: PLR2004 - dots
            self._tell(Effect.REPAIRED, say("the entry .."), say("none"), say("one"), 0)
            return int(length)
        self.names.parents[number] = int(parent)
        return int(length) + entry_length(int(more), len(data))

    def _entries(self, data: bytes, end: int, number: int | None, at: int = 0) -> None:
        """Take the entries from `at` to `end`, which must follow each other without a gap."""
        hashed = self.folder.flags & ENCRYPT and self.folder.flags & CASEFOLD
        more = _HASH_BYTES if hashed else 0
        size = len(data) if number is not None else 0
        inodes, kinds, own = self.names.inodes, self.names.kinds, self.own
        start = len(own)
        while at < end:
            if at + _HEAD > end:
                self._tell(
                    Effect.LOST,
                    say("entries"),
                    say("end at {at}", at=at),
                    say("at {at}", at=end),
                    number,
                )
                break
            inode, length, name, kind = _unpack(data, at)
            if size >= ENCODED_BLOCK:
                length = entry_length(length, size)
            least = _HEAD + name + (more if inode else 0) + 3 & ~3
            if length < _SHORTEST or length & 3 or length < least or at + length > end:
                words = say("length of the entry at {at}", at=at)
                self._tell(
                    Effect.LOST,
                    words,
                    length,
                    say("{value} to {end}", value=max(12, least), end=end - at),
                    number,
                )
                break
            if inode:
                inodes.append(inode)
                kinds.append(kind)
                own.append(data[at + _HEAD : at + _HEAD + name])
            at += length
        self._check_names(own[start:], number)

    def _check_names(self, names: list[bytes], number: int | None) -> None:
        if self.folder.flags & ENCRYPT:
            bad = [name for name in names if len(name) < _SHORTEST_ENCRYPTED]
        else:
            together = b"\xff".join(names)
            if b"/" not in together and b"\0" not in together and b"" not in names:
                return
            bad = [name for name in names if b"/" in name or b"\0" in name or not name]
        for name in bad:
            self._tell(
                Effect.LOST, say("a name"), repr(name), say("a name without / and zero"), number
            )


def target_columns(names: Names) -> tuple[Numbers, Numbers, Numbers]:
    """Return (folder, inode, kind) of every name."""
    counts = np.array(names.counts, dtype=np.int64)
    folders = np.repeat(np.array(names.folders, dtype=np.int64), counts)
    return folders, np.array(names.inodes, np.int64), np.array(names.kinds, np.int64)
