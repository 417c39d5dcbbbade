"""Examining FAT12, FAT16 and FAT32: would its own system mount the volume, and lose nothing?

What is held against what: docs/formats/fat.md, "Examined".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import MOST_CLUSTERS, ClusterOwners, ClusterTable, runs_of
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
            return not_examined("its boot sector gives no sizes that a FAT volume can have")
        if sizes.clusters > MOST_CLUSTERS:
            return not_examined(f"it has more than {MOST_CLUSTERS} clusters")
        return _Work(window, alive, boot, boot_32, sizes).run()
    except UNREADABLE as error:
        return not_examined(str(error).rstrip("."))


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
        tables = self._tables()
        if tables is not None:
            entries = tables[self._active]
            self._first_entries(entries)
            self._copies(tables)
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
    def _active(self) -> int:
        """Which FAT is in use: the first, unless FAT32 says another alone is."""
        flags = self.boot_32.number("BPB_ExtFlags") if self._is_32 else 0
        active = flags & 0xF if flags & _ONE_FAT_ACTIVE else 0
        return active if active < self.boot.number("BPB_NumFATs") else 0

    def _boot_sector(self) -> None:
        sizes, recorder = self.sizes, self.structure.agree(4)
        needed = -(-(sizes.clusters + FIRST_CLUSTER) * sizes.bits // 8)
        for name, stored, expected, wrong in (
            (
                "BPB_TotSec32",
                f"{sizes.size_bytes} bytes",
                f"{self.window.size_bytes} bytes at most",
                sizes.size_bytes > self.window.size_bytes,
            ),
            (
                "BPB_FATSz32" if self._is_32 else "BPB_FATSz16",
                f"{sizes.fat_bytes} bytes",
                f"{needed} bytes at least",
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
                f"{self.window.sector_bytes} at least",
                sizes.sector_bytes < self.window.sector_bytes,
            ),
        ):
            if wrong:
                recorder.fault(
                    Fault(
                        effect=Effect.REFUSED,
                        structure="boot sector",
                        place="sector 0",
                        field=name,
                        stored=stored,
                        expected=expected,
                        offset=0,
                    )
                )

    def _tables(self) -> list[NDArray[np.uint32]] | None:
        """Return every FAT's entries; `None` where the one in use cannot be read whole."""
        sizes, tables = self.sizes, []
        needed = min(-(-(sizes.clusters + FIRST_CLUSTER) * sizes.bits // 8), sizes.fat_bytes)
        for number in range(self.boot.number("BPB_NumFATs")):
            offset = sizes.first_fat_offset + number * sizes.fat_bytes
            try:
                data = b"".join(self.window.chunks(offset, needed, 1 << 20))
            except UNREADABLE as error:
                reason = f"FAT {number + 1}: {str(error).rstrip('.')}"
                self.structure.leave_out(reason)
                if number == self._active:
                    self.allocation.leave_out(reason)
                    return None
                data = b""
            self.alive()
            tables.append(_entries(data, sizes.bits, sizes.clusters + FIRST_CLUSTER))
        return tables

    def _first_entries(self, entries: NDArray[np.uint32]) -> None:
        bits = self.sizes.bits
        ones = _LOW_28_BITS if self._is_32 else (1 << bits) - 1
        media = ones & ~0xFF | self.boot.number("BPB_Media")
        self.structure.agree(2)
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
                        place=f"entry {number}",
                        field="value",
                        stored=f"{stored:X}",
                        expected=f"{expected:X}",
                        offset=self.sizes.first_fat_offset,
                    )
                )

    def _copies(self, tables: list[NDArray[np.uint32]]) -> None:
        if self._is_32 and self.boot_32.number("BPB_ExtFlags") & _ONE_FAT_ACTIVE:
            return
        first = tables[0]
        for number, table in enumerate(tables[1:], 2):
            if not len(table):
                continue
            self.structure.agree(len(table))
            # Entries 0 and 1 hold marks that only the first copy must have.
            for cluster in np.flatnonzero(first[FIRST_CLUSTER:] != table[FIRST_CLUSTER:]):
                at = int(cluster) + FIRST_CLUSTER
                self.structure.fault(
                    Fault(
                        effect=Effect.REPAIRED,
                        structure="FAT copy",
                        place=f"copy {number}, cluster {at}",
                        field="value",
                        stored=f"{table[at]:X}",
                        expected=f"{first[at]:X}",
                        offset=self.sizes.first_fat_offset
                        + (number - 1) * self.sizes.fat_bytes
                        + at * self.sizes.bits // 8,
                    )
                )

    def _without_owner(self, entries: NDArray[np.uint32], owners: ClusterOwners) -> None:
        """Name the clusters that are marked in use and belong to no file, as runs."""
        bad = _BAD[self.sizes.bits]
        used = (entries != 0) & (entries != bad) & (owners.marks == 0)
        used[:FIRST_CLUSTER] = False
        self.allocation.agree(self.sizes.clusters)
        for first, count in runs_of(np.flatnonzero(used)):
            self.allocation.fault(
                Fault(
                    effect=Effect.WASTED,
                    structure="FAT",
                    place=f"clusters {first} to {first + count - 1}",
                    field="owner",
                    stored="in use",
                    expected="a file",
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
            self.structure.leave_out(f"FSInfo: {str(error).rstrip('.')}")
            return
        self.structure.agree(2)
        wrong = [name for name, value in FSINFO_SIGNATURES.items() if info.number(name) != value]
        if wrong:
            self.structure.fault(
                Fault(
                    effect=Effect.REPAIRED,
                    structure="FSInfo",
                    place=f"sector {sector}",
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
                    place=f"sector {sector}",
                    field="FSI_Free_Count",
                    stored=str(stored),
                    expected=str(free),
                    offset=offset,
                )
            )


def _entries(data: bytes, bits: int, count: int) -> NDArray[np.uint32]:
    """Return the entries of a FAT, each in 32 bits; those that bytes are missing for are free."""
    if not data:
        return np.zeros(0, np.uint32)
    if bits == _BITS_12:
        padded = np.frombuffer(data + bytes(-len(data) % 3), np.uint8).astype(np.uint32)
        low, middle, high = padded[0::3], padded[1::3], padded[2::3]
        pairs = np.empty(2 * len(low), np.uint32)
        pairs[0::2] = low | (middle & 0xF) << 8
        pairs[1::2] = middle >> 4 | high << 4
        found = pairs
    else:
        kind = "<u2" if bits < _BITS_32 else "<u4"
        width = bits // 8
        found = np.frombuffer(data[: len(data) // width * width], kind).astype(np.uint32)
        if bits == _BITS_32:
            found &= _LOW_28_BITS
    whole = np.zeros(count, np.uint32)
    whole[: min(count, len(found))] = found[:count]
    return whole
