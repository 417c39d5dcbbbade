"""Examining FAT12, FAT16 and FAT32: would its own system mount the volume, and lose nothing?

What is held against what: docs/formats/fat.md, "Examined".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import MOST_CLUSTERS, ClusterOwners, ClusterTable, words_of
from verify.filesystem.examination import Effect, Examination, Fault, Recorder, not_examined
from verify.filesystem.fat.describe import Geometry, geometry
from verify.filesystem.fat.examine_folders import FolderWalk
from verify.source.window import Window
from verify.structs.base import Record
from verify.structs.fat import (
    BOOT_SECTOR,
    EXTENDED_32,
    FSINFO,
    FSINFO_SIGNATURES,
)
from verify.text.message import say

if TYPE_CHECKING:
    from numpy.typing import NDArray


_BITS_12, _BITS_32 = 12, 32
_LOW_28_BITS = 0x0FFFFFFF
_ONE_FAT_ACTIVE = 0x80
_NONE = frozenset({0, 0xFFFF})
_UNKNOWN_COUNT = 0xFFFFFFFF
_MOST_FSINFO_SECTOR = 32

_BAD = {12: 0xFF7, 16: 0xFFF7, 32: 0x0FFFFFF7}
"""Microsoft FAT 1.03, 'FAT Data Structure': a bad cluster; every number above ends a chain."""

_CLEAN_BITS = {12: 0, 16: 0xC000, 32: 0x0C000000}
"""Bits of FAT[1] that tell of the last dismounting; the others are ones."""


def examine_fat(window: Window, alive: Callable[[], None]) -> Examination:
    """Examine a FAT volume.

    Raises:
        SourceVanished: the drive went away.
    """
    try:
        data = window.read(0, BOOT_SECTOR.size)
        boot, boot_32 = BOOT_SECTOR.parse(data), EXTENDED_32.parse(data)
        sizes = geometry(boot, boot_32)
        if sizes is None:
            return not_examined(say("its boot sector gives no sizes that a FAT volume can have"))
        if sizes.clusters > MOST_CLUSTERS:
            return not_examined(say("it has more than {most} clusters", most=MOST_CLUSTERS))
        return _Work(window, alive, boot, boot_32, sizes).run()
    except UNREADABLE as error:
        return not_examined(say("{reason:clause}", reason=str(error)))


@dataclass(slots=True)
class _Work:
    window: Window
    alive: Callable[[], None]
    boot: Record
    boot_32: Record
    sizes: Geometry
    structure: Recorder = field(default_factory=Recorder)
    allocation: Recorder = field(default_factory=Recorder)

    def run(self) -> Examination:
        self._boot_sector()
        entries = self._table(self._active)
        if entries is not None:
            self._copies(entries)
            if self._is_32:
                entries &= _LOW_28_BITS
            self._first_entries(entries)
            table = ClusterTable(entries, _BAD[self.sizes.bits], _BAD[self.sizes.bits] + 1)
            owners = ClusterOwners(self.sizes.clusters)
            walk = FolderWalk(
                self.window, self.alive, self.sizes, table, owners, self.structure, self.allocation
            )
            walk.run(self.boot_32.number("BPB_RootClus") if self._is_32 else 0)
            self._without_owner(entries, owners)
            self._fsinfo(entries)
        return Examination(structure=self.structure.result(), allocation=self.allocation.result())

    @property
    def _is_32(self) -> bool:
        return self.sizes.bits == _BITS_32

    @property
    def _named(self) -> int | None:
        """The only FAT that is kept up to date, where FAT32 says that it is but one."""
        flags = self.boot_32.number("BPB_ExtFlags") if self._is_32 else 0
        return flags & 0xF if flags & _ONE_FAT_ACTIVE else None

    @property
    def _active(self) -> int:
        """Which FAT is in use: the first, unless FAT32 says another alone is."""
        named = self._named or 0
        return named if named < self.boot.number("BPB_NumFATs") else 0

    def _boot_sector(self) -> None:
        sizes, recorder = self.sizes, self.structure.compared(5)
        fats = self.boot.number("BPB_NumFATs")
        needed = -(-(sizes.clusters + FIRST_CLUSTER) * sizes.bits // 8)
        for name, stored, expected, wrong in (
            (
                "BPB_TotSec32",
                say("{size} bytes", size=sizes.size_bytes),
                say("{most} bytes at most", most=self.window.size_bytes),
                sizes.size_bytes > self.window.size_bytes,
            ),
            (
                "BPB_FATSz32" if self._is_32 else "BPB_FATSz16",
                say("{size} bytes", size=sizes.fat_bytes),
                say("{least} bytes at least", least=needed),
                sizes.fat_bytes < needed,
            ),
            (
                "BPB_FSVer",
                str(self.boot_32.number("BPB_FSVer")),
                "0",
                self._is_32 and self.boot_32.number("BPB_FSVer") != 0,
            ),
            (
                "BPB_BytsPerSec",
                str(sizes.sector_bytes),
                say("{least} at least", least=self.window.sector_bytes),
                sizes.sector_bytes < self.window.sector_bytes,
            ),
            (
                "BPB_ExtFlags",
                say("FAT {number} alone is active", number=(self._named or 0) + 1),
                say("one of {count}", count=fats),
                (self._named or 0) >= fats,
            ),
        ):
            if wrong:
                recorder.fault(
                    Fault(
                        effect=Effect.REFUSED,
                        structure=say("boot sector"),
                        place=say("sector 0"),
                        field=name,
                        stored=stored,
                        expected=expected,
                        offset=0,
                    )
                )

    def _table(self, number: int) -> NDArray[np.uint32] | None:
        """Return the entries of a FAT, all 32 bits of them; `None` where it cannot be read."""
        entries = np.zeros(self.sizes.clusters + FIRST_CLUSTER, np.uint32)
        try:
            for at, piece in self._pieces(number):
                entries[at : at + len(piece)] = piece[: len(entries) - at]
        except UNREADABLE as error:
            for half in (self.structure, self.allocation):
                half.leave_out(
                    say("FAT {number}: {reason:clause}", number=number + 1, reason=str(error))
                )
            return None
        return entries

    def _pieces(self, number: int) -> Iterator[tuple[int, NDArray[np.uint32]]]:
        """Yield the entries of a FAT in pieces, each with the cluster that it begins with."""
        sizes = self.sizes
        needed = -(-(sizes.clusters + FIRST_CLUSTER) * sizes.bits // 8)
        offset = sizes.first_fat_offset + number * sizes.fat_bytes
        at = 0
        for data in self.window.chunks(offset, min(needed, sizes.fat_bytes), 3 << 20):
            self.alive()
            piece = _entries(data, sizes.bits)
            yield at, piece
            at += len(piece)

    def _first_entries(self, entries: NDArray[np.uint32]) -> None:
        bits = self.sizes.bits
        ones = _LOW_28_BITS if self._is_32 else (1 << bits) - 1
        media = ones & ~0xFF | self.boot.number("BPB_Media")
        self.structure.compared(2)
        for number, stored, expected in (
            (0, int(entries[0]), media),
            (1, int(entries[1]) | _CLEAN_BITS[bits], ones),
        ):
            # NOTE: a mark of the end has many forms: all above the mark of a bad cluster.
            if stored != expected and not (number and stored > _BAD[bits]):
                self.structure.fault(
                    Fault(
                        effect=Effect.REPAIRED,
                        structure="FAT",
                        place=say("entry {number}", number=number),
                        field=say("value"),
                        stored=f"{stored:X}",
                        expected=f"{expected:X}",
                        offset=self.sizes.first_fat_offset,
                    )
                )

    def _copies(self, active: NDArray[np.uint32]) -> None:
        """Compare every other FAT with the one in use, entry by entry."""
        for number in range(self.boot.number("BPB_NumFATs")):
            if number == self._active:
                continue
            try:
                differing = [
                    self._differing(at, piece, active) for at, piece in self._pieces(number)
                ]
            except UNREADABLE as error:
                self.structure.leave_out(
                    say("FAT {number}: {reason:clause}", number=number + 1, reason=str(error))
                )
                continue
            self.structure.compared(len(active))
            clusters = np.concatenate(differing)
            if self._named is None:
                self._copy(number, clusters)
            elif number < self._active and (active[clusters] != 0).any():
                # What the first FAT says is listed, and is what most drivers read.
                self.structure.leave_out(
                    say(
                        "FAT {number} alone is active, and the files are listed by the first",
                        number=self._active + 1,
                    )
                )

    def _differing(
        self, at: int, piece: NDArray[np.uint32], active: NDArray[np.uint32]
    ) -> NDArray[np.int64]:
        here = active[at : at + len(piece)]
        differs = here ^ piece[: len(here)]
        if at == 0:
            # Only the first copy must have the marks of entry 1.
            differs[1] &= ~np.uint32(_CLEAN_BITS[self.sizes.bits])
        return np.flatnonzero(differs) + at

    def _copy(self, number: int, clusters: NDArray[np.int64]) -> None:
        sizes = self.sizes
        start = sizes.first_fat_offset + number * sizes.fat_bytes
        for place, first in words_of(clusters):
            self.structure.fault(
                Fault(
                    effect=Effect.REPAIRED,
                    structure=say("FAT copy"),
                    place=say("copy {number}, {place}", number=number + 1, place=place),
                    field=say("value"),
                    stored=say("differs"),
                    expected=say("as in FAT {number}", number=self._active + 1),
                    offset=start + first * sizes.bits // 8,
                )
            )

    def _without_owner(self, entries: NDArray[np.uint32], owners: ClusterOwners) -> None:
        """Name the clusters that are marked in use and belong to no file, as runs.

        A value that no entry may have is a fault of its own, whoever owns the cluster.
        """
        bad = _BAD[self.sizes.bits]
        used = (entries != 0) & (entries != bad) & (owners.marks == 0)
        used[:FIRST_CLUSTER] = False
        outside = used & ((entries == 1) | (entries >= len(entries)) & (entries < bad))
        self.allocation.compared(self.sizes.clusters)
        for effect, wrong, stored, expected in (
            (Effect.WASTED, used, say("in use"), say("a file")),
            (Effect.REPAIRED, outside, say("no cluster"), say("a cluster, or an end mark")),
        ):
            for place, _ in words_of(np.flatnonzero(wrong)):
                self.allocation.fault(
                    Fault(
                        effect=effect,
                        structure="FAT",
                        place=place,
                        field=say("owner") if effect is Effect.WASTED else say("value"),
                        stored=stored,
                        expected=expected,
                    )
                )

    def _fsinfo(self, entries: NDArray[np.uint32]) -> None:
        """Compare FSInfo with what was counted; it is a hint, rewritten at the next mount."""
        sector = self.boot_32.number("BPB_FSInfo") if self._is_32 else 0
        if sector in _NONE:
            return
        offset = sector * self.sizes.sector_bytes
        try:
            info = FSINFO.parse(self.window.read(offset, FSINFO.size))
        except UNREADABLE as error:
            self.structure.leave_out(say("FSInfo: {reason:clause}", reason=str(error)))
            return
        self.structure.compared(2)
        wrong = [name for name, value in FSINFO_SIGNATURES.items() if info.number(name) != value]
        if wrong:
            self.structure.fault(
                Fault(
                    effect=Effect.REPAIRED,
                    structure="FSInfo",
                    place=say("sector {sector}", sector=sector),
                    field=wrong[0],
                    stored=f"{info.number(wrong[0]):08X}",
                    expected=f"{FSINFO_SIGNATURES[wrong[0]]:08X}",
                    offset=offset,
                )
            )
            return
        free = int(np.count_nonzero(entries[FIRST_CLUSTER:] == 0))
        stored = info.number("FSI_Free_Count")
        if stored not in (free, _UNKNOWN_COUNT):
            self.structure.fault(
                Fault(
                    effect=Effect.WASTED,
                    structure="FSInfo",
                    place=say("sector {sector}", sector=sector),
                    field="FSI_Free_Count",
                    stored=str(stored),
                    expected=str(free),
                    offset=offset,
                )
            )


def _entries(data: bytes, bits: int) -> NDArray[np.uint32]:
    """Return the entries in some bytes of a FAT, each in 32 bits."""
    if bits == _BITS_12:
        padded = np.frombuffer(data + bytes(-len(data) % 3), np.uint8).astype(np.uint32)
        low, middle, high = padded[0::3], padded[1::3], padded[2::3]
        pairs = np.empty(2 * len(low), np.uint32)
        pairs[0::2] = low | (middle & 0xF) << 8
        pairs[1::2] = middle >> 4 | high << 4
        return pairs
    width = bits // 8
    whole = np.frombuffer(data[: len(data) // width * width], f"<u{width}")
    return whole.astype(np.uint32)
