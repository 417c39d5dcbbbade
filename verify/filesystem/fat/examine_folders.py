"""Examining the folders of a FAT volume: every entry, its long name, and its chain of clusters."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import ClusterOwners, ClusterTable
from verify.filesystem.examination import Effect, Fault, Recorder
from verify.filesystem.fat.describe import Geometry
from verify.filesystem.fat.entry_names import (
    ATTRIBUTES,
    DELETED,
    END,
    FOLDER,
    ILLEGAL,
    LONG_NAME,
    SPACE,
    VOLUME_LABEL,
    LongName,
    short_checksum,
)
from verify.filesystem.fat.plain_folders import plain_folder, take_plain_files
from verify.source.window import Window
from verify.structs.fat import DIRECTORY_ENTRY
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from verify.filesystem.cluster_table import Followed

_ENTRY = DIRECTORY_ENTRY.size
_DOTS = (b".          ", b"..         ")
_BITS_32 = 32

_FIRST_NODE = 3
"""The library's number of the first entry where folders may lie; 2 is the root itself."""

_MOST_FOLDER_BYTES = 65536 * _ENTRY
"""Microsoft FAT 1.03, 'FAT Directory Structure': at most 65,536 entries."""

_MOST_KEPT, _MOST_RUNS = 4096, 1024
"""Entries behind the end of folders that are looked at once all owners are known, and how far."""

_ROOT = say("root folder")
_LONGEST_NAME = 240

_SHORT = struct.Struct("<11s B 8x H 4x H I")
"""DIR_Name, DIR_Attr, DIR_FstClusHI, DIR_FstClusLO, DIR_FileSize."""


@dataclass(frozen=True, slots=True)
class _Folder:
    """A folder to go through: its clusters (`None`: the fixed root), and what its dots name.

    `name`: for people, in short names, which stay the same where the volume is resized.
    """

    name: str
    runs: tuple[tuple[int, int], ...] | None
    first: int = 0
    parent: int = 0
    is_root: bool = False


@dataclass(frozen=True, slots=True)
class _At:
    """Where an entry stands: in which folder (by name), as which, at which byte."""

    folder: str
    position: int
    offset: int
    node: int

    @property
    def place(self) -> str:
        """The entry in words."""
        return say("{folder}, entry {position}", folder=self.folder, position=self.position)


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
    _labels: int = 0

    @property
    def _is_32(self) -> bool:
        return self.sizes.bits == _BITS_32

    def run(self, root: int) -> None:
        """Begin at the root: a chain of its own on FAT32 (`root`), else a fixed place (0)."""
        self._root = root
        runs = None
        if self._is_32:
            at = _At(_ROOT, 0, 0, 2)
            if not FIRST_CLUSTER <= root < len(self.owners.marks):
                self._fault(
                    at,
                    Effect.REFUSED,
                    say("boot sector"),
                    "BPB_RootClus",
                    str(root),
                    say("a cluster"),
                )
                return
            runs = self._follow(root, at, say("root folder"), Effect.REFUSED).runs
        self._waiting.append(_Folder(_ROOT, runs, root, is_root=True))
        while self._waiting:
            self._go_through(self._waiting.pop())
            self.alive()
        self._look_behind_ends()

    # --- one folder ---

    def _go_through(self, folder: _Folder) -> None:
        data, offsets = self._read(folder)
        self.structure.compared(len(offsets))
        plain = plain_folder(data, is_root=folder.is_root)
        if plain is None or (not self._is_32 and plain.has_high_halves):
            self._one_by_one(folder, data, offsets)
            return
        first = self.sizes.data_offset if self._is_32 else self.sizes.root_offset
        count, left = take_plain_files(
            plain,
            _FIRST_NODE + (offsets - first) // _ENTRY,
            self.sizes.cluster_bytes,
            self.table,
            self.owners,
            high=self._is_32,
        )
        self.allocation.compared(count)
        dots = [] if folder.is_root else [0, 1]
        for position in (*dots, *plain.folders.tolist(), *left.tolist()):
            raw = data[position * _ENTRY : (position + 1) * _ENTRY]
            at = self._at(folder, position, int(offsets[position]))
            self._named(at, raw, LongName(), set(), folder)

    def _one_by_one(self, folder: _Folder, data: bytes, offsets: NDArray[np.int64]) -> None:
        """Examine every entry by itself, and tell what is wrong with it."""
        name, names, end = LongName(), set[bytes](), False
        told = False
        for position, offset in enumerate(offsets.tolist()):
            raw = data[position * _ENTRY : (position + 1) * _ENTRY]
            at = self._at(folder, position, offset)
            if end:
                if raw[0] in (END, DELETED):
                    continue
                if not told:
                    self._fault(
                        at,
                        Effect.REPAIRED,
                        say("folder"),
                        say("end"),
                        say("entries in use stand behind it"),
                        say("nothing in use"),
                    )
                    told = True
                if len(self._behind) < _MOST_KEPT:
                    self._behind.append((at, raw))
            elif raw[11] & ATTRIBUTES == LONG_NAME and raw[0] not in (END, DELETED):
                if not name.take(raw):
                    self._name_fault(
                        at, say("order"), f"{raw[0]:02X}", say("the part that follows")
                    )
                    name = LongName()
                # NOTE: Linux takes only what is exactly 0F as a part of a long name.
                if raw[11] != LONG_NAME or raw[12] or raw[26] or raw[27]:
                    found = f"{raw[11]:02X}, {raw[12]:02X}, {raw[27]:02X}{raw[26]:02X}"
                    self._name_fault(
                        at, "LDIR_Attr, LDIR_Type, LDIR_FstClusLO", found, "0F, 00, 0000"
                    )
            else:
                self._named(at, raw, name, names, folder)
                name, end = LongName(), raw[0] == END
        if name.parts:
            self._name_fault(at, say("owner"), say("the end of the folder"), say("a short name"))

    def _named(
        self, at: _At, raw: bytes, name: LongName, names: set[bytes], folder: _Folder
    ) -> None:
        """Examine what is no part of a long name, and whether the parts before it belong to it."""
        short, attributes, high, low, size = _SHORT.unpack(raw)
        if raw[0] in (DELETED, END):
            if name.parts:
                what = say("the end of the folder") if raw[0] == END else say("a deleted entry")
                self._name_fault(at, say("owner"), what, say("a short name"))
            return
        if not name.fits(short):
            self._name_fault(
                at, say("checksum"), f"{name.checksum:02X}", f"{short_checksum(short):02X}"
            )
        cluster = self._cluster(low, high)
        if attributes & VOLUME_LABEL:
            self._label(at, folder, cluster, size)
            return
        dots = not folder.is_root and at.position < len(_DOTS)
        if dots or short in _DOTS:
            self._dots(at, folder, raw, cluster, dots=dots)
            if short in _DOTS:
                return
        if short in names:
            self._fault(
                at,
                Effect.REPAIRED,
                say("folder entry"),
                "DIR_Name",
                say("there twice"),
                say("once"),
            )
        names.add(short)
        if short[0] == SPACE or ILLEGAL.intersection(short):
            self._fault(
                at,
                Effect.REPAIRED,
                say("folder entry"),
                "DIR_Name",
                short.hex(" "),
                say("a short name"),
            )
        if attributes & FOLDER:
            self._folder(at, folder, short, cluster, size)
        else:
            self._file(at, cluster, size)

    def _cluster(self, low: int, high: int) -> int:
        if self._is_32:
            return low | high << 16
        if high:
            # NOTE: OS/2 keeps another number there; the library takes it as part of the cluster.
            self.structure.leave_out(
                say("files whose entries have DIR_FstClusHI on FAT12 or FAT16 are not listed")
            )
        return low

    def _label(self, at: _At, folder: _Folder, cluster: int, size: int) -> None:
        """Examine a label: no driver lists it, and contents behind it are found by none."""
        if cluster or size:
            self._fault(
                at, Effect.LOST, say("volume label"), "DIR_FstClusLO, DIR_FileSize",
                say("cluster {cluster}, {size} bytes", cluster=cluster, size=size), "0, 0",
            )  # fmt: skip
        elif not folder.is_root or self._labels:
            self._fault(
                at,
                Effect.REPAIRED,
                say("volume label"),
                "DIR_Attr",
                say("another label"),
                say("one, in the root"),
            )
        self._labels += folder.is_root

    def _dots(self, at: _At, folder: _Folder, raw: bytes, cluster: int, *, dots: bool) -> None:
        short, attributes = raw[:11], raw[11]
        if not attributes & FOLDER:
            self._fault(
                at,
                Effect.REPAIRED,
                say("folder"),
                say("DIR_Attr of . and .."),
                f"{attributes:02X}",
                "10",
            )
        expected = (folder.first, folder.parent)
        # NOTE: `..` of a folder in the root is 0, on FAT32 too; some write the root's own cluster.
        lawful = ({folder.first}, {folder.parent, self._root if not folder.parent else -1})
        if not dots or short != _DOTS[at.position] or cluster not in lawful[at.position]:
            word = (
                say("cluster {cluster}", cluster=expected[at.position])
                if dots
                else say("another name")
            )
            stored = (
                say("cluster {cluster}", cluster=cluster) if short in _DOTS else say("another name")
            )
            self._fault(at, Effect.REPAIRED, say("folder"), say("entries . and .."), stored, word)

    def _folder(self, at: _At, folder: _Folder, short: bytes, cluster: int, size: int) -> None:
        if size:
            self._fault(at, Effect.REPAIRED, say("folder entry"), "DIR_FileSize", str(size), "0")
        if not FIRST_CLUSTER <= cluster < len(self.owners.marks):
            self._fault(
                at,
                Effect.LOST,
                say("folder entry"),
                "DIR_FstClusLO",
                str(cluster),
                say("a cluster"),
            )
            return
        entered = self.owners.owned(cluster)
        chain = self._follow(cluster, at, say("folder"))
        if not entered:
            parent = 0 if folder.is_root else folder.first
            name = _name_within(folder, short, cluster)
            self._waiting.append(_Folder(name, chain.runs, cluster, parent))

    def _file(self, at: _At, cluster: int, size: int) -> None:
        needed = -(-size // self.sizes.cluster_bytes)
        if not cluster:
            if size:
                self._fault(
                    at,
                    Effect.LOST,
                    say("folder entry"),
                    "DIR_FstClusLO",
                    "0",
                    say("{count} clusters", count=needed),
                )
            return
        chain = self._follow(cluster, at, say("file"))
        if chain.end == "whole" and chain.clusters != needed:
            effect = Effect.LOST if chain.clusters < needed else Effect.REPAIRED
            self._fault(
                at,
                effect,
                say("cluster chain"),
                say("length"),
                say("{count} clusters", count=chain.clusters),
                say("{needed} for {size} bytes", needed=needed, size=size),
            )

    # --- clusters ---

    def _follow(self, cluster: int, at: _At, what: str, effect: Effect = Effect.LOST) -> Followed:
        """Follow a chain, give its clusters their owner, and tell how it ends."""
        chain = self.table.follow(cluster, self.owners)
        self.allocation.compared(chain.clusters)
        for start, count in chain.runs:
            self.owners.take(start, count, at.node)
        if chain.end == "taken":
            self._fault(
                at,
                Effect.OVERWRITTEN,
                "FAT",
                say("owners"),
                say("its cluster number {number} is another's too", number=chain.clusters + 1),
                say("one {what}", what=what),
                self.allocation,
            )
            return chain
        if chain.end == "free":
            self._fault(
                at,
                Effect.OVERWRITTEN,
                "FAT",
                say("mark"),
                say("its cluster number {number} is free", number=chain.clusters),
                say("in use"),
                self.allocation,
            )
        elif chain.end != "whole":
            words = {
                "bad": say("its cluster number {number} is marked bad", number=chain.clusters),
                "outside": say(
                    "continues at {cluster}, which is not a valid cluster", cluster=chain.last
                ),
                "round": say("comes back to itself"),
            }
            self._fault(
                at, effect, say("cluster chain"), say("end"), words[chain.end], say("an end mark")
            )
        return chain

    def _look_behind_ends(self) -> None:
        """Tell of entries behind a folder's end whose clusters are in use and have no owner.

        Windows ends a folder at the first entry that begins with zero; what stands behind it is
        left over, unless its clusters still are a chain of their own.
        """
        for at, raw in self._behind:
            short, attributes, high, low, size = _SHORT.unpack(raw)
            cluster = low | (high << 16 if self._is_32 else 0)
            if (
                attributes & (VOLUME_LABEL | ~ATTRIBUTES)
                or short in _DOTS
                or ILLEGAL.intersection(short)
                or not FIRST_CLUSTER <= cluster < len(self.owners.marks)
                or self.owners.owned(cluster)
            ):
                continue
            chain = self.table.follow(cluster, self.owners, _MOST_RUNS)
            fits = attributes & FOLDER or chain.clusters == -(-size // self.sizes.cluster_bytes)
            if chain.end == "whole" and fits:
                self._fault(
                    at,
                    Effect.LOST,
                    say("folder"),
                    say("end"),
                    say("an entry in use stands behind it"),
                    say("nothing in use"),
                )

    # --- places ---

    def _read(self, folder: _Folder) -> tuple[bytes, NDArray[np.int64]]:
        """Return a folder's entries, as far as a folder may be long, and where each stands."""
        left, data, offsets = _MOST_FOLDER_BYTES, [], []
        try:
            for offset, length in self._located(folder):
                data.append(self.window.read(offset, min(length, left)))
                offsets.append(np.arange(offset, offset + len(data[-1]), _ENTRY))
                left -= len(data[-1])
                if left <= 0:
                    break
        except UNREADABLE as error:
            for half in (self.structure, self.allocation):
                half.leave_out(say("a folder: {reason:clause}", reason=str(error)))
        return b"".join(data), np.concatenate((np.zeros(0, np.int64), *offsets))

    def _located(self, folder: _Folder) -> Iterator[tuple[int, int]]:
        sizes = self.sizes
        if folder.runs is None:
            yield sizes.root_offset, sizes.root_bytes
            return
        for first, count in folder.runs:
            start = sizes.data_offset + (first - FIRST_CLUSTER) * sizes.cluster_bytes
            yield start, count * sizes.cluster_bytes

    def _at(self, folder: _Folder, position: int, offset: int) -> _At:
        # The number that the library gives the file of the entry at a byte.
        first = self.sizes.data_offset if self._is_32 else self.sizes.root_offset
        return _At(folder.name, position, offset, _FIRST_NODE + (offset - first) // _ENTRY)

    def _name_fault(self, at: _At, what: str, stored: str, expected: str) -> None:
        self._fault(at, Effect.REPAIRED, say("long name"), what, stored, expected)

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


def _name_within(folder: _Folder, short: bytes, cluster: int) -> str:
    """Name a folder by its short name in the one that holds it, as far as names are of use."""
    stem, ending = (
        part.decode("ascii", "backslashreplace").rstrip() for part in (short[:8], short[8:])
    )
    name = f"{stem}{'.' if ending else ''}{ending}"
    if len(folder.name) + len(name) > _LONGEST_NAME:
        return say("folder at cluster {cluster}", cluster=cluster)
    return say("folder {name}", name=name) if folder.is_root else f"{folder.name}/{name}"
