"""The system files of an exFAT volume: its allocation bitmaps and its up-case table."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.examination import Effect
from verify.filesystem.exfat.entry_types import BITMAP, END, UP_CASE
from verify.filesystem.exfat.examine_clusters import ROOT, At, Clusters
from verify.filesystem.exfat.plain_folders import ENTRY
from verify.filesystem.exfat.up_case import UpCase, read_up_case, table_checksum
from verify.structs.base import Record
from verify.structs.exfat import ALLOCATION_BITMAP, UP_CASE_TABLE
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.exfat.examine_clusters import Runs

_BITS = 8


@dataclass(slots=True)
class SystemFiles:
    """What the root names of them; `up_case` is `None` where the table cannot be used."""

    on: Clusters
    up_case: UpCase | None = None
    _bitmaps: list[Record] = field(default_factory=list)
    _up_cases: list[Record] = field(default_factory=list)

    def find(self, runs: Runs, length: int) -> None:
        """Find the bitmap and the up-case table before names are held against it."""
        data, _ = self.on.read(runs, length)
        for at in range(0, len(data), ENTRY):
            raw = data[at : at + ENTRY]
            if raw[0] == END:
                return
            if raw[0] == BITMAP:
                self._bitmaps.append(ALLOCATION_BITMAP.parse(raw))
            elif raw[0] == UP_CASE:
                self._up_cases.append(UP_CASE_TABLE.parse(raw))

    def read(self) -> bytes | None:
        """Read the bitmap in use and the up-case table (sections 7.1 and 7.2)."""
        root = At(ROOT, 0, 0)
        fats = self.on.boot.number("NumberOfFats")
        self.on.structure.compared(3)
        if len(self._bitmaps) != fats:
            self.on.fault(
                root,
                Effect.REFUSED,
                say("allocation bitmap"),
                say("entries"),
                len(self._bitmaps),
                str(fats),
            )
        if len(self._up_cases) != 1:
            self.on.fault(
                root, Effect.REFUSED, say("up-case table"), say("entries"), len(self._up_cases), "1"
            )
        needed = -(-len(self.on.owners.marks[FIRST_CLUSTER:]) // _BITS)
        active = (fats - 1) & self.on.boot.number("VolumeFlags")
        bitmap = None
        for entry in self._bitmaps:
            data = self._system_file(root, entry, say("allocation bitmap"))
            if entry.number("DataLength") < needed:
                self.on.fault(
                    root, Effect.REFUSED, say("allocation bitmap"), "DataLength",
                    entry.number("DataLength"), say("{least} at least", least=needed),
                )  # fmt: skip
            if entry.number("BitmapFlags") & 1 == active & 1:
                bitmap = data
        if bitmap is None:
            self.on.allocation.leave_out(say("the allocation bitmap could not be read"))
        for entry in self._up_cases:
            data = self._system_file(root, entry, say("up-case table"))
            if data is not None:
                self._take_up_case(root, entry, data)
        return bitmap

    def _take_up_case(self, root: At, entry: Record, data: bytes) -> None:
        stored, expected = entry.number("TableChecksum"), table_checksum(data)
        if stored != expected:
            self.on.fault(
                root, Effect.REFUSED, say("up-case table"), "TableChecksum", f"{stored:08X}",
                f"{expected:08X}",
            )  # fmt: skip
            return
        found = read_up_case(data)
        if found is None:
            self.on.fault(
                root,
                Effect.REFUSED,
                say("up-case table"),
                say("contents"),
                say("not as the format has it"),
                say("up to 65,536 characters, a to z as A to Z"),
            )
        else:
            self.up_case = found

    def _system_file(self, root: At, entry: Record, what: str) -> bytes | None:
        length, first = entry.number("DataLength"), entry.number("FirstCluster")
        most = max(4 << 17, 2 * len(self.on.owners.marks) // _BITS + self.on.cluster_bytes)
        if length > most:
            self.on.fault(
                root, Effect.REFUSED, what, "DataLength", length, say("{most} at most", most=most)
            )
            return None
        runs = self.on.chain(first, -(-length // self.on.cluster_bytes), root, what, Effect.REFUSED)
        try:
            data = b"".join(self.on.window.read(*place) for place in self.on.located(runs))
        except UNREADABLE as error:
            self.on.structure.leave_out(
                say("{what}: {reason:clause}", what=what, reason=str(error))
            )
            return None
        return data[:length] if len(data) >= length else None
