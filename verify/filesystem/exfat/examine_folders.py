"""Examining the folders of an exFAT volume: entry sets, names, and where contents lie."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.cluster_table import ClusterOwners, ClusterTable
from verify.filesystem.examination import Effect, Fault, Recorder
from verify.filesystem.exfat.up_case import IDENTITY, UpCase, read_up_case, table_checksum
from verify.source.window import Window
from verify.structs.base import Record
from verify.structs.exfat import (
    ALLOCATION_BITMAP,
    FILE_ENTRY,
    STREAM_EXTENSION,
    UP_CASE_TABLE,
)

BAD_CLUSTER = 0xFFFFFFF7

_ENTRY, _UNITS_PER_NAME = 32, 15
_END, _IN_USE, _SECONDARY, _BENIGN = 0x00, 0x80, 0x40, 0x20
_BITMAP, _UP_CASE, _LABEL, _FILE, _STREAM, _NAME = 0x81, 0x82, 0x83, 0x85, 0xC0, 0xC1
_FOLDER_ATTRIBUTE, _ALLOCATION_POSSIBLE, _NO_FAT_CHAIN = 0x10, 0x01, 0x02
_SECONDARY_COUNTS = range(2, 19)
_ILLEGAL = frozenset(range(0x20)) | frozenset(map(ord, '"*/:<>?\\|'))
"""Section 7.7.3.1: characters that no name has."""

_LARGEST_FOLDER_BYTES = 256 << 20
_MOST_KEPT = 65536
_BITS = 8


@dataclass(frozen=True, slots=True)
class _Folder:
    """Runs of clusters, and how many bytes of them the folder says it has."""

    runs: tuple[tuple[int, int], ...]
    length: int
    first: int


@dataclass(frozen=True, slots=True)
class _At:
    """A primary entry: in which folder (its first cluster), as which, at which byte."""

    folder: int
    position: int
    offset: int

    @property
    def place(self) -> str:
        """The entry in words."""
        return f"folder at cluster {self.folder}, entry {self.position}"


@dataclass(slots=True)
class FolderWalk:
    """Goes through all folders, and gives every cluster its owner."""

    window: Window
    alive: Callable[[], None]
    boot: Record
    table: ClusterTable
    owners: ClusterOwners
    structure: Recorder
    allocation: Recorder
    _waiting: list[_Folder] = field(default_factory=list)
    _behind: list[tuple[_At, list[bytes]]] = field(default_factory=list)
    _bitmaps: list[Record] = field(default_factory=list)
    _up_cases: list[Record] = field(default_factory=list)
    _up_case: UpCase = IDENTITY

    def run(self) -> bytes | None:
        """Go through the volume; return the allocation bitmap where it can be read."""
        first = self.boot.number("FirstClusterOfRootDirectory")
        at = _At(first, 0, 0)
        root = self._chain(first, None, at, "root folder")
        folder = _Folder(root, sum(count for _, count in root) * self._cluster_bytes, first)
        self._root_entries(folder)
        bitmap = self._system_files()
        self._waiting.append(folder)
        while self._waiting:
            self._go_through(self._waiting.pop())
            self.alive()
        self._look_behind_ends()
        return bitmap

    @property
    def _cluster_bytes(self) -> int:
        boot = self.boot
        return 1 << (boot.number("BytesPerSectorShift") + boot.number("SectorsPerClusterShift"))

    # --- the root's own entries ---

    def _root_entries(self, root: _Folder) -> None:
        """Find the bitmap and the up-case table before names are held against it."""
        try:
            for _, raw in self._entries(root):
                if raw[0] == _END:
                    return
                if raw[0] == _BITMAP:
                    self._bitmaps.append(ALLOCATION_BITMAP.parse(raw))
                elif raw[0] == _UP_CASE:
                    self._up_cases.append(UP_CASE_TABLE.parse(raw))
        except UNREADABLE:
            return  # the walk itself leaves the folder out

    def _system_files(self) -> bytes | None:
        """Read the bitmap in use and the up-case table (sections 7.1 and 7.2)."""
        root = _At(self.boot.number("FirstClusterOfRootDirectory"), 0, 0)
        fats = self.boot.number("NumberOfFats")
        self.structure.agree(3)
        if len(self._bitmaps) != fats:
            self._fault(
                root, Effect.REFUSED, "allocation bitmap", "entries", len(self._bitmaps), str(fats)
            )
        if len(self._up_cases) != 1:
            self._fault(root, Effect.REFUSED, "up-case table", "entries", len(self._up_cases), "1")
        needed = -(-len(self.owners.marks[FIRST_CLUSTER:]) // _BITS)
        active = (fats - 1) & self.boot.number("VolumeFlags")
        bitmap = None
        for entry in self._bitmaps:
            data = self._system_file(root, entry, "allocation bitmap")
            if entry.number("DataLength") < needed:
                self._fault(
                    root, Effect.REFUSED, "allocation bitmap", "DataLength",
                    entry.number("DataLength"), f"{needed} at least",
                )  # fmt: skip
            if entry.number("BitmapFlags") & 1 == active & 1:
                bitmap = data
        if bitmap is None:
            self.allocation.leave_out("the allocation bitmap could not be read")
        for entry in self._up_cases:
            data = self._system_file(root, entry, "up-case table")
            if data is not None:
                self._take_up_case(root, entry, data)
        return bitmap

    def _take_up_case(self, root: _At, entry: Record, data: bytes) -> None:
        stored, expected = entry.number("TableChecksum"), table_checksum(data)
        if stored != expected:
            self._fault(
                root, Effect.REFUSED, "up-case table", "TableChecksum", f"{stored:08X}",
                f"{expected:08X}",
            )  # fmt: skip
            return
        found = read_up_case(data)
        if found is None:
            self._fault(
                root, Effect.REFUSED, "up-case table", "contents", "not as the format has it",
                "up to 65,536 characters, a to z as A to Z",
            )  # fmt: skip
        else:
            self._up_case = found

    def _system_file(self, root: _At, entry: Record, what: str) -> bytes | None:
        length, first = entry.number("DataLength"), entry.number("FirstCluster")
        most = max(4 << 17, 2 * len(self.owners.marks) // _BITS + self._cluster_bytes)
        if length > most:
            self._fault(root, Effect.REFUSED, what, "DataLength", length, f"{most} at most")
            return None
        runs = self._chain(first, -(-length // self._cluster_bytes), root, what, Effect.REFUSED)
        try:
            data = b"".join(self.window.read(*place) for place in self._located(runs))
        except UNREADABLE as error:
            self.structure.leave_out(f"{what}: {str(error).rstrip('.')}")
            return None
        return data[:length] if len(data) >= length else None

    # --- one folder ---

    def _go_through(self, folder: _Folder) -> None:
        pending: list[bytes] = []
        at, ended, position = _At(folder.first, 0, 0), False, 0
        try:
            for position, (offset, raw) in enumerate(self._entries(folder)):
                kind = raw[0]
                if ended and len(self._behind) >= _MOST_KEPT:
                    break
                if kind & _IN_USE and kind & _SECONDARY and pending:
                    pending.append(raw)
                    continue
                self._finish(at, pending, ended=ended)
                pending = []
                ended = ended or kind == _END
                if kind & _IN_USE:
                    at, pending = _At(folder.first, position, offset), [raw]
                    if kind & _SECONDARY and not ended:
                        self._fault(
                            at, Effect.REPAIRED, "folder entry", "EntryType", f"{kind:02X}",
                            "a primary entry before it",
                        )  # fmt: skip
                        pending = []
            self._finish(at, pending, ended=ended)
        except UNREADABLE as error:
            for half in (self.structure, self.allocation):
                half.leave_out(f"a folder: {str(error).rstrip('.')}")
        self.structure.agree(position + 1)

    def _finish(self, at: _At, entries: list[bytes], *, ended: bool) -> None:
        """Examine a set of entries, once the next one does not belong to it."""
        if not entries:
            return
        kind = entries[0][0]
        if ended:
            if kind == _FILE:
                self._behind.append((at, entries))
        elif kind == _FILE:
            self._file(at, entries)
        elif kind not in (_BITMAP, _UP_CASE, _LABEL) and not kind & _BENIGN:
            self._fault(at, Effect.LOST, "folder entry", "EntryType", f"{kind:02X}", "a known kind")

    def _file(self, at: _At, entries: list[bytes]) -> None:
        """Examine the set of a file or folder (sections 6.3, 7.4, 7.6, 7.7)."""
        head = FILE_ENTRY.parse(entries[0])
        count = head.number("SecondaryCount")
        if count not in _SECONDARY_COUNTS or len(entries) < count + 1:
            self._fault(
                at, Effect.LOST, "entry set", "SecondaryCount", count,
                f"2 to 18, and as many entries as follow ({len(entries) - 1})",
            )  # fmt: skip
            return
        entries = entries[: count + 1]
        checksum = set_checksum(entries)
        if head.number("SetChecksum") != checksum:
            self._fault(
                at, Effect.LOST, "entry set", "SetChecksum",
                f"{head.number('SetChecksum'):04X}", f"{checksum:04X}",
            )  # fmt: skip
            return
        if entries[1][0] != _STREAM:
            self._fault(at, Effect.LOST, "entry set", "EntryType", f"{entries[1][0]:02X}", "C0")
            return
        stream = STREAM_EXTENSION.parse(entries[1])
        self._name(at, stream, entries)
        self._contents(at, head, stream)

    def _name(self, at: _At, stream: Record, entries: list[bytes]) -> None:
        length = stream.number("NameLength")
        parts = [raw[2:] for raw in entries[2:] if raw[0] == _NAME]
        needed = -(-length // _UNITS_PER_NAME)
        if not length or len(parts) != needed:
            self._fault(
                at, Effect.LOST, "stream extension", "NameLength", length,
                f"what {len(parts)} entries of a name hold",
            )  # fmt: skip
            return
        name = b"".join(parts)[: 2 * length]
        units = struct.unpack(f"<{length}H", name)
        if _ILLEGAL.intersection(units):
            self._fault(
                at, Effect.REPAIRED, "file name", "FileName", name.hex(), "no forbidden character"
            )
        expected = self._up_case.name_hash(name)
        if stream.number("NameHash") != expected:
            self._fault(
                at, Effect.LOST, "stream extension", "NameHash",
                f"{stream.number('NameHash'):04X}", f"{expected:04X}",
            )  # fmt: skip

    def _contents(self, at: _At, head: Record, stream: Record) -> None:
        first, length = stream.number("FirstCluster"), stream.number("DataLength")
        valid, flags = stream.number("ValidDataLength"), stream.number("GeneralSecondaryFlags")
        is_folder = bool(head.number("FileAttributes") & _FOLDER_ATTRIBUTE)
        if valid > length or (is_folder and valid != length):
            self._fault(
                at, Effect.LOST, "stream extension", "ValidDataLength", valid,
                f"{length}" if is_folder else f"{length} at most",
            )  # fmt: skip
        if is_folder and length > _LARGEST_FOLDER_BYTES:
            self._fault(
                at, Effect.LOST, "stream extension", "DataLength", length,
                f"{_LARGEST_FOLDER_BYTES} at most",
            )  # fmt: skip
            return
        if not flags & _ALLOCATION_POSSIBLE and (first or length):
            self._fault(
                at, Effect.LOST, "stream extension", "GeneralSecondaryFlags", f"{flags:02X}",
                "AllocationPossible",
            )  # fmt: skip
        if not first:
            if length:
                self._fault(at, Effect.LOST, "stream extension", "FirstCluster", 0, "a cluster")
            return
        needed = -(-length // self._cluster_bytes)
        if not needed:
            self._fault(at, Effect.REPAIRED, "stream extension", "FirstCluster", first, "0")
            return
        entered = FIRST_CLUSTER <= first < len(self.owners.marks) and self.owners.owned(first)
        if flags & _NO_FAT_CHAIN:
            runs = self._run(first, needed, at)
        else:
            runs = self._chain(first, needed, at, "folder" if is_folder else "file")
        if is_folder and runs and not entered:
            self._waiting.append(_Folder(runs, length, first))

    # --- clusters ---

    def _run(self, first: int, count: int, at: _At) -> tuple[tuple[int, int], ...]:
        """Return the clusters of contents that lie in one piece, whatever the FAT says of them."""
        most = len(self.owners.marks)
        if first < FIRST_CLUSTER or first + count > most:
            self._fault(
                at, Effect.LOST, "stream extension", "FirstCluster", first,
                f"{count} clusters from there, {most} at the most",
            )  # fmt: skip
            return ()
        self._take(((first, count),), at)
        return ((first, count),)

    def _chain(
        self, first: int, needed: int | None, at: _At, what: str, effect: Effect = Effect.LOST
    ) -> tuple[tuple[int, int], ...]:
        """Follow a chain in the FAT; `needed`: how many clusters it has to have."""
        chain = self.table.follow(first, len(self.owners.marks))
        self._take(chain.runs, at)
        words = {
            "free": f"cluster {chain.last} has no entry",
            "bad": f"cluster {chain.last} is marked bad",
            "outside": f"{chain.last} is no cluster",
            "round": f"comes back to cluster {chain.last}",
        }
        if chain.end in words:
            self._fault(at, effect, f"cluster chain of a {what}", "end", words[chain.end], "whole")
        elif needed is not None and chain.clusters != needed:
            self._fault(
                at, effect if chain.clusters < needed else Effect.REPAIRED,
                f"cluster chain of a {what}", "length", f"{chain.clusters} clusters", str(needed),
            )  # fmt: skip
        return chain.runs

    def _take(self, runs: tuple[tuple[int, int], ...], at: _At) -> None:
        for start, count in runs:
            self.allocation.agree(count)
            taken = self.owners.take(start, count, at.offset)
            if taken is not None:
                self._fault(
                    at, Effect.OVERWRITTEN, "clusters", "owners",
                    f"cluster {taken} is another's too", "one", self.allocation,
                )  # fmt: skip
                return

    def _look_behind_ends(self) -> None:
        """Tell of whole sets behind a folder's end whose clusters have no owner.

        Section 6.2.1.1: nothing in use stands behind the end; a folder's old clusters may hold
        what was left over, unless its contents are nobody else's.
        """
        for at, entries in self._behind:
            head = FILE_ENTRY.parse(entries[0])
            count = head.number("SecondaryCount")
            if count not in _SECONDARY_COUNTS or len(entries) < count + 1:
                continue
            if set_checksum(entries[: count + 1]) != head.number("SetChecksum"):
                continue
            first = STREAM_EXTENSION.parse(entries[1]).number("FirstCluster")
            inside = FIRST_CLUSTER <= first < len(self.owners.marks)
            if inside and not self.owners.owned(first):
                self._fault(
                    at, Effect.LOST, "folder", "end", "a set in use stands behind it",
                    "nothing in use",
                )  # fmt: skip

    # --- places ---

    def _entries(self, folder: _Folder) -> Iterator[tuple[int, bytes]]:
        left = min(folder.length, _LARGEST_FOLDER_BYTES)
        for offset, length in self._located(folder.runs):
            data = self.window.read(offset, min(length, left))
            for at in range(0, len(data) - _ENTRY + 1, _ENTRY):
                yield offset + at, data[at : at + _ENTRY]
            left -= len(data)
            if left <= 0:
                return

    def _located(self, runs: tuple[tuple[int, int], ...]) -> Iterator[tuple[int, int]]:
        heap = self.boot.number("ClusterHeapOffset") << self.boot.number("BytesPerSectorShift")
        for first, count in runs:
            start = heap + (first - FIRST_CLUSTER) * self._cluster_bytes
            yield start, count * self._cluster_bytes

    def _fault(  # noqa: PLR0913, PLR0917 - a fault has that many sides
        self,
        at: _At,
        effect: Effect,
        structure: str,
        what: str,
        stored: object,
        expected: str,
        half: Recorder | None = None,
    ) -> None:
        (half or self.structure).fault(
            Fault(
                effect=effect,
                structure=structure,
                place=at.place,
                field=what,
                stored=str(stored),
                expected=expected,
                offset=at.offset or None,
                node=at.offset or None,
            )
        )


def set_checksum(entries: list[bytes]) -> int:
    """Return the checksum of a set of entries (section 6.3.3): its own two bytes are left out."""
    total = 0
    for byte in entries[0][:2] + entries[0][4:] + b"".join(entries[1:]):
        total = ((total & 1) << 15 | total >> 1) + byte & 0xFFFF
    return total
