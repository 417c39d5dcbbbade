"""Examining exFAT: would its own system mount the volume, and lose nothing?

What is held against what: docs/formats/exfat.md, "Examined". Sections are those of Microsoft's
exFAT file system specification 1.00.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE, masked
from verify.filesystem.checksums import exfat_boot_checksum
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import MOST_CLUSTERS, ClusterOwners, ClusterTable, words_of
from verify.filesystem.examination import Effect, Examination, Fault, Recorder, not_examined
from verify.filesystem.exfat.entry_types import BAD_CLUSTER
from verify.filesystem.exfat.examine_clusters import Clusters
from verify.filesystem.exfat.examine_folders import FolderWalk
from verify.source.window import Window
from verify.structs.base import Record
from verify.structs.exfat import BOOT_SECTOR, MOST_CLUSTER_SHIFT, SECTOR_SHIFTS
from verify.text.message import say, worded

if TYPE_CHECKING:
    from numpy.typing import NDArray

_REGION_SECTORS, _CHECKED_SECTORS, _FIRST_FAT_SECTOR = 12, 11, 24
_FAT_START = (0xFFFFFFF8, 0xFFFFFFFF)
_ACTIVE_FAT = 0x1
_VARYING = ((64, 72), (106, 108), (112, 113))
"""PartitionOffset, VolumeFlags, PercentInUse: may lawfully differ between the two regions."""

_SIGNATURE = b"\x55\xaa"
_STEP = 1 << 20


def examine_exfat(window: Window, alive: Callable[[], None]) -> Examination:
    """Examine an exFAT volume.

    Raises:
        SourceVanished: the drive went away.
    """
    try:
        boot = BOOT_SECTOR.parse(window.read(0, BOOT_SECTOR.size))
        shift = boot.number("BytesPerSectorShift")
        if (
            shift not in SECTOR_SHIFTS
            or shift + boot.number("SectorsPerClusterShift") > MOST_CLUSTER_SHIFT
        ):
            return not_examined(say("its boot sector gives no sizes that an exFAT volume can have"))
        if boot.number("ClusterCount") > MOST_CLUSTERS:
            return not_examined(say("it has more than {most} clusters", most=MOST_CLUSTERS))
        return _Work(window, alive, boot).run()
    except UNREADABLE as error:
        return not_examined(say("{reason:clause}", reason=str(error)))


@dataclass(slots=True)
class _Work:
    window: Window
    alive: Callable[[], None]
    boot: Record
    structure: Recorder = field(default_factory=Recorder)
    allocation: Recorder = field(default_factory=Recorder)

    def run(self) -> Examination:
        self._sizes()
        self._regions()
        entries = self._fat()
        if entries is not None:
            self._first_entries(entries)
            # Section 4.1: 0xFFFFFFF7 is a bad cluster, 0xFFFFFFFF the end of a chain.
            table = ClusterTable(entries, BAD_CLUSTER, 0xFFFFFFFF)
            owners = ClusterOwners(self._clusters)
            clusters = Clusters(
                self.window, self.boot, table, owners, self.structure, self.allocation
            )
            bitmap = FolderWalk(clusters, self.alive).run()
            if bitmap is not None:
                self._bitmap(bitmap, entries, owners)
        return Examination(structure=self.structure.result(), allocation=self.allocation.result())

    @property
    def _sector_bytes(self) -> int:
        return 1 << self.boot.number("BytesPerSectorShift")

    @property
    def _clusters(self) -> int:
        return self.boot.number("ClusterCount")

    def _sizes(self) -> None:
        """Hold the fields of the boot sector against each other (section 3.1)."""
        boot, sector = self.boot, self._sector_bytes
        fats, fat = boot.number("NumberOfFats"), boot.number("FatLength")
        start, heap = boot.number("FatOffset"), boot.number("ClusterHeapOffset")
        length, root = boot.number("VolumeLength"), boot.number("FirstClusterOfRootDirectory")
        needed = -(-4 * (self._clusters + FIRST_CLUSTER) // sector)
        end = heap + (self._clusters << boot.number("SectorsPerClusterShift"))
        revision = boot.number("FileSystemRevision") >> 8
        for name, stored, expected, right in (
            (
                "VolumeLength",
                length,
                say("no more than its partition"),
                length * sector <= self.window.size_bytes,
            ),
            ("NumberOfFats", fats, say("1 or 2"), fats in (1, 2)),
            (
                "FatOffset",
                start,
                say("{least} at least", least=_FIRST_FAT_SECTOR),
                start >= _FIRST_FAT_SECTOR,
            ),
            ("FatLength", fat, say("{least} at least", least=needed), fat >= needed),
            (
                "ClusterHeapOffset",
                heap,
                say("{least} at least", least=start + fats * fat),
                heap >= start + fats * fat,
            ),
            ("ClusterCount", self._clusters, say("no more than the volume holds"), end <= length),
            (
                "FirstClusterOfRootDirectory",
                root,
                say("a cluster"),
                FIRST_CLUSTER <= root < self._clusters + FIRST_CLUSTER,
            ),
            ("FileSystemRevision", revision, "1", revision == 1),
            (
                "BytesPerSectorShift",
                sector,
                say("{least} at least", least=self.window.sector_bytes),
                sector >= self.window.sector_bytes,
            ),
        ):
            self.structure.compared()
            if not right:
                self._fault(
                    Effect.REFUSED, say("boot sector"), say("sector 0"), name, stored, expected
                )
        self.structure.compared()
        if boot.raw("BootSignature") != _SIGNATURE:
            signature = boot.raw("BootSignature").hex(" ").upper()
            self._fault(
                Effect.REFUSED,
                say("boot sector"),
                say("sector 0"),
                "BootSignature",
                signature,
                "55 AA",
            )

    def _regions(self) -> None:
        """Check both boot regions against their checksums, and the backup against the main one."""
        sector = self._sector_bytes
        size, regions = _REGION_SECTORS * sector, []
        for number, (name, effect) in enumerate(
            (
                (say("main boot region"), Effect.REFUSED),
                (say("backup boot region"), Effect.REPAIRED),
            )
        ):
            try:
                region = self.window.read(number * size, size)
            except UNREADABLE as error:
                self.structure.leave_out(
                    say("{what}: {reason:clause}", what=name, reason=str(error))
                )
                continue
            regions.append(region)
            self.structure.compared()
            end = _CHECKED_SECTORS * sector
            expected = exfat_boot_checksum(region[:end])
            if region[end:] != expected.to_bytes(4, "little") * (sector // 4):
                words = struct.unpack(f"<{sector // 4}I", region[end:])
                found = next(word for word in words if word != expected)
                place = say("sector {sector}", sector=number * _REGION_SECTORS + _CHECKED_SECTORS)
                self._fault(
                    effect, name, place, say("checksum"), f"{found:08X}", f"{expected:08X}",
                    number * size,
                )  # fmt: skip
        if len(regions) == len(("main", "backup")):
            self.structure.compared()
            end = _CHECKED_SECTORS * sector
            main, backup = (masked(item[:end], *_VARYING) for item in regions)
            if main != backup:
                self._fault(
                    Effect.REPAIRED,
                    say("backup boot region"),
                    say("sectors 12 to 22"),
                    say("contents"),
                    say("differs"),
                    say("as the main boot region"),
                    size,
                )

    def _fat(self) -> NDArray[np.uint32] | None:
        """Return the entries of the FAT in use; those that it is too short for are free."""
        boot, sector = self.boot, self._sector_bytes
        active = (boot.number("NumberOfFats") - 1) & boot.number("VolumeFlags") & _ACTIVE_FAT
        count = self._clusters + FIRST_CLUSTER
        length = min(4 * count, boot.number("FatLength") * sector)
        offset = (boot.number("FatOffset") + active * boot.number("FatLength")) * sector
        try:
            data = b"".join(self.window.chunks(offset, length, _STEP))
        except UNREADABLE as error:
            for half in (self.structure, self.allocation):
                half.leave_out(say("the FAT: {reason:clause}", reason=str(error)))
            return None
        self.alive()
        entries = np.zeros(count, np.uint32)
        entries[: length // 4] = np.frombuffer(data[: length // 4 * 4], "<u4")
        return entries

    def _first_entries(self, entries: NDArray[np.uint32]) -> None:
        """Check FatEntry[0] and [1] (sections 4.1.1 and 4.1.2)."""
        for number, expected in enumerate(_FAT_START):
            self.structure.compared()
            value = int(entries[number])
            if value != expected:
                self._fault(
                    Effect.REPAIRED,
                    "FAT",
                    say("entry {number}", number=number),
                    say("value"),
                    f"{value:08X}",
                    f"{expected:08X}",
                )

    def _bitmap(self, bitmap: bytes, entries: NDArray[np.uint32], owners: ClusterOwners) -> None:
        """Hold the allocation bitmap against the owners, both ways (section 7.1.5)."""
        bits = np.unpackbits(np.frombuffer(bitmap, np.uint8), bitorder="little")
        used = np.zeros(self._clusters, bool)
        used[: min(len(bits), self._clusters)] = bits[: self._clusters] != 0
        owned = owners.marks[FIRST_CLUSTER:] != 0
        bad = entries[FIRST_CLUSTER:] == BAD_CLUSTER
        self.allocation.compared(self._clusters)
        for effect, wrong, stored, expected in (
            (Effect.OVERWRITTEN, owned & ~used, say("marked free"), say("in use")),
            (Effect.WASTED, used & ~owned & ~bad, say("marked in use"), say("free: no owner")),
        ):
            for place, first in words_of(np.flatnonzero(wrong) + FIRST_CLUSTER):
                node = None if effect is Effect.WASTED else owners.node_of(first)
                self._fault(
                    effect,
                    say("allocation bitmap"),
                    place,
                    say("bits"),
                    stored,
                    expected,
                    node=node,
                    half=self.allocation,
                )

    def _fault(  # noqa: PLR0913, PLR0917 - a fault has that many sides
        self,
        effect: Effect,
        structure: str,
        place: str,
        what: str,
        stored: object,
        expected: str,
        offset: int | None = None,
        *,
        node: int | None = None,
        half: Recorder | None = None,
    ) -> None:
        (half or self.structure).fault(
            Fault(
                effect=effect,
                structure=structure,
                place=place,
                field=what,
                stored=worded(stored),
                expected=expected,
                offset=offset,
                node=node,
            )
        )
