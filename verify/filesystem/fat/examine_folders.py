"""Examining the folders of a FAT volume: every entry, its long name, and its chain of clusters."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import ClusterOwners, ClusterTable
from verify.filesystem.examination import Effect, Fault, Recorder
from verify.filesystem.fat.describe import Geometry
from verify.source.window import Window
from verify.structs.fat import DIRECTORY_ENTRY

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.cluster_table import Followed

_ENTRY = DIRECTORY_ENTRY.size
_END, _DELETED, _SPACE = 0x00, 0xE5, 0x20
_VOLUME_LABEL, _FOLDER, _LONG_NAME, _ATTRIBUTES = 0x08, 0x10, 0x0F, 0x3F
_LAST_PART, _MOST_PARTS = 0x40, 20
_DOTS = (b".          ", b"..         ")
_BITS_32 = 32

_FIRST_NODE = 3
"""The library's number of the first entry where folders may lie; 2 is the root itself."""

_MOST_FOLDER_BYTES = 65536 * _ENTRY
"""Microsoft FAT 1.03, 'FAT Directory Structure': at most 65,536 entries."""

_MOST_KEPT = 65536
"""Entries behind the end of folders that are looked at once all owners are known."""

_ILLEGAL = frozenset(b'"*+,./:;<=>?[\\]|') | (frozenset(range(0x20)) - {0x05})
"""Microsoft FAT 1.03, 'Short Directory Entries': bytes that no short name has."""

_SHORT = struct.Struct("<11s B 8x H 4x H I")
"""DIR_Name, DIR_Attr, DIR_FstClusHI, DIR_FstClusLO, DIR_FileSize."""


@dataclass(frozen=True, slots=True)
class _Folder:
    """A folder to go through: its clusters (`None`: the fixed root), and what its dots name."""

    runs: tuple[tuple[int, int], ...] | None
    first: int = 0
    parent: int = 0
    is_root: bool = False


@dataclass(frozen=True, slots=True)
class _At:
    """Where an entry stands: in which folder (its first cluster), as which, at which byte."""

    folder: int
    position: int
    offset: int
    node: int

    @property
    def place(self) -> str:
        """The entry in words."""
        where = f"folder at cluster {self.folder}" if self.folder else "root folder"
        return f"{where}, entry {self.position}"


@dataclass(slots=True)
class _LongName:
    """The parts of a long name that stand before a short entry: last part first."""

    parts: int = 0
    missing: int = 0
    checksum: int = 0

    def take(self, raw: bytes) -> bool:
        """Take the next part; `False` where it does not continue what came before."""
        order, begins = raw[0] & ~_LAST_PART, bool(raw[0] & _LAST_PART)
        if begins:
            continues = not self.parts and 0 < order <= _MOST_PARTS
            self.missing, self.checksum = order - 1, raw[13]
        else:
            continues = self.parts > 0 and order == self.missing and raw[13] == self.checksum
            self.missing -= 1
        self.parts += 1
        return continues

    def fits(self, short: bytes) -> bool:
        """Whether all parts were there, and belong to this short name."""
        return not self.parts or (self.missing == 0 and self.checksum == _checksum(short))


@dataclass(slots=True)
class FolderWalk:
    """Goes through all folders, and gives every cluster its owner."""

    window: Window
    alive: Callable[[], None]
    sizes: Geometry
    table: ClusterTable
    owners: ClusterOwners
    structure: Recorder
    allocation: Recorder
    _waiting: list[_Folder] = field(default_factory=list)
    _behind: list[tuple[_At, bytes]] = field(default_factory=list)
    _root: int = 0

    def run(self, root: int) -> None:
        """Begin at the root: a chain of its own on FAT32 (`root`), else a fixed place (0)."""
        self._root = root
        runs = self._follow(root, _At(0, 0, 0, 2), "root folder").runs if root else None
        self._waiting.append(_Folder(runs, root, is_root=True))
        while self._waiting:
            self._go_through(self._waiting.pop())
            self.alive()
        self._look_behind_ends()

    # --- one folder ---

    def _go_through(self, folder: _Folder) -> None:
        name, names, position, ended = _LongName(), set[bytes](), 0, False
        try:
            for position, (offset, raw) in enumerate(self._entries(folder)):
                at = _At(folder.first, position, offset, self._node(offset))
                if ended:
                    if raw[0] not in (_END, _DELETED) and len(self._behind) < _MOST_KEPT:
                        self._behind.append((at, raw))
                elif raw[0] == _END:
                    ended = True
                elif raw[11] & _ATTRIBUTES == _LONG_NAME and raw[0] != _DELETED:
                    if not name.take(raw):
                        self._name_fault(at, "order", f"{raw[0]:02X}", "the part that follows")
                        name = _LongName()
                else:
                    self._named(at, raw, name, names, folder)
                    name = _LongName()
        except UNREADABLE as error:
            for half in (self.structure, self.allocation):
                half.leave_out(f"a folder: {str(error).rstrip('.')}")
        self.structure.agree(position + 1)

    def _named(
        self, at: _At, raw: bytes, name: _LongName, names: set[bytes], folder: _Folder
    ) -> None:
        """Examine what is no part of a long name, and whether the parts before it belong to it."""
        short, attributes, high, low, size = _SHORT.unpack(raw)
        if raw[0] == _DELETED:
            if name.parts:
                self._name_fault(at, "owner", "a deleted entry", "a short name")
            return
        if not name.fits(short):
            self._name_fault(at, "checksum", f"{name.checksum:02X}", f"{_checksum(short):02X}")
        if attributes & _VOLUME_LABEL:
            return
        cluster = low | (high << 16 if self.sizes.bits == _BITS_32 else 0)
        dots = not folder.is_root and at.position < len(_DOTS)
        if dots or short in _DOTS:
            self._dots(at, folder, short, cluster, dots=dots)
            if short in _DOTS:
                return
        if short in names:
            self._fault(at, Effect.REPAIRED, "folder entry", "DIR_Name", "there twice", "once")
        names.add(short)
        if short[0] == _SPACE or _ILLEGAL.intersection(short):
            self._fault(
                at, Effect.REPAIRED, "folder entry", "DIR_Name", short.hex(" "), "a short name"
            )
        if attributes & _FOLDER:
            self._folder(at, folder, cluster, size)
        else:
            self._file(at, cluster, size)

    def _dots(self, at: _At, folder: _Folder, short: bytes, cluster: int, *, dots: bool) -> None:
        expected = (folder.first, folder.parent)
        # NOTE: `..` of a folder in the root is 0, on FAT32 too; some write the root's own cluster.
        lawful = ({folder.first}, {folder.parent, self._root if not folder.parent else -1})
        if not dots or short != _DOTS[at.position] or cluster not in lawful[at.position]:
            word = f"cluster {expected[at.position]}" if dots else "another name"
            stored = f"cluster {cluster}" if short in _DOTS else "another name"
            self._fault(at, Effect.REPAIRED, "folder", "entries . and ..", stored, word)

    def _folder(self, at: _At, folder: _Folder, cluster: int, size: int) -> None:
        if size:
            self._fault(at, Effect.REPAIRED, "folder entry", "DIR_FileSize", str(size), "0")
        if not FIRST_CLUSTER <= cluster < len(self.owners.marks):
            self._fault(at, Effect.LOST, "folder entry", "DIR_FstClusLO", str(cluster), "a cluster")
            return
        entered = self.owners.owned(cluster)
        chain = self._follow(cluster, at, "folder")
        if not entered:
            parent = 0 if folder.is_root else folder.first
            self._waiting.append(_Folder(chain.runs, cluster, parent))

    def _file(self, at: _At, cluster: int, size: int) -> None:
        needed = -(-size // self.sizes.cluster_bytes)
        if not cluster:
            if size:
                self._fault(
                    at, Effect.LOST, "folder entry", "DIR_FstClusLO", "0", f"{needed} clusters"
                )
            return
        chain = self._follow(cluster, at, "file")
        if chain.end == "whole" and chain.clusters != needed:
            effect = Effect.LOST if chain.clusters < needed else Effect.REPAIRED
            self._fault(
                at, effect, "cluster chain", "length", f"{chain.clusters} clusters",
                f"{needed} for {size} bytes",
            )  # fmt: skip

    # --- clusters ---

    def _follow(self, cluster: int, at: _At, what: str) -> Followed:
        """Follow a chain, give its clusters their owner, and tell how it ends."""
        chain = self.table.follow(cluster, self.sizes.clusters)
        self.allocation.agree(chain.clusters)
        for start, count in chain.runs:
            taken = self.owners.take(start, count, at.node)
            if taken is not None:
                self._fault(
                    at, Effect.OVERWRITTEN, "FAT", "owners", f"cluster {taken} is another's too",
                    f"one {what}", self.allocation,
                )  # fmt: skip
                break
        if chain.end == "free":
            self._fault(
                at, Effect.OVERWRITTEN, "FAT", "mark", f"cluster {chain.last} is free", "in use",
                self.allocation,
            )  # fmt: skip
        elif chain.end != "whole":
            words = {
                "bad": f"cluster {chain.last} is marked bad",
                "outside": f"{chain.last} is no cluster",
                "round": f"comes back to cluster {chain.last}",
            }
            self._fault(at, Effect.LOST, "cluster chain", "end", words[chain.end], "an end mark")
        return chain

    def _look_behind_ends(self) -> None:
        """Tell of entries behind a folder's end whose clusters are in use and have no owner.

        Windows ends a folder at the first entry that begins with zero; what stands behind it is
        left over, unless its clusters still are a chain of their own.
        """
        for at, raw in self._behind:
            short, attributes, high, low, size = _SHORT.unpack(raw)
            cluster = low | (high << 16 if self.sizes.bits == _BITS_32 else 0)
            if (
                attributes & (_VOLUME_LABEL | ~_ATTRIBUTES)
                or short in _DOTS
                or _ILLEGAL.intersection(short)
                or not FIRST_CLUSTER <= cluster < len(self.owners.marks)
                or self.owners.owned(cluster)
            ):
                continue
            chain = self.table.follow(cluster, self.sizes.clusters)
            fits = attributes & _FOLDER or chain.clusters == -(-size // self.sizes.cluster_bytes)
            if chain.end == "whole" and fits:
                self._fault(
                    at, Effect.LOST, "folder", "end", "an entry in use stands behind it",
                    "nothing in use",
                )  # fmt: skip

    # --- places ---

    def _entries(self, folder: _Folder) -> Iterator[tuple[int, bytes]]:
        """Yield every entry of a folder with its offset, as far as a folder may be long."""
        left = _MOST_FOLDER_BYTES
        for offset, length in self._located(folder):
            data = self.window.read(offset, min(length, left))
            for at in range(0, len(data) - _ENTRY + 1, _ENTRY):
                yield offset + at, data[at : at + _ENTRY]
            left -= len(data)
            if left <= 0:
                return

    def _located(self, folder: _Folder) -> Iterator[tuple[int, int]]:
        sizes = self.sizes
        if folder.runs is None:
            yield sizes.root_offset, sizes.root_bytes
            return
        for first, count in folder.runs:
            start = sizes.data_offset + (first - FIRST_CLUSTER) * sizes.cluster_bytes
            yield start, count * sizes.cluster_bytes

    def _node(self, offset: int) -> int:
        """Return the number that the library gives the file of the entry at a byte."""
        sizes = self.sizes
        first = sizes.data_offset if sizes.bits == _BITS_32 else sizes.root_offset
        return _FIRST_NODE + (offset - first) // _ENTRY

    def _name_fault(self, at: _At, what: str, stored: str, expected: str) -> None:
        self._fault(at, Effect.REPAIRED, "long name", what, stored, expected)

    def _fault(  # noqa: PLR0913, PLR0917 - a fault has that many sides
        self,
        at: _At,
        effect: Effect,
        structure: str,
        what: str,
        stored: str,
        expected: str,
        half: Recorder | None = None,
    ) -> None:
        (half or self.structure).fault(
            Fault(
                effect=effect,
                structure=structure,
                place=at.place,
                field=what,
                stored=stored,
                expected=expected,
                offset=at.offset,
                node=at.node,
            )
        )


def _checksum(short: bytes) -> int:
    """Return what the parts of a long name keep of its short one (FAT 1.03, 'Long Names')."""
    total = 0
    for byte in short:
        total = (total >> 1 | (total & 1) << 7) + byte & 0xFF
    return total
