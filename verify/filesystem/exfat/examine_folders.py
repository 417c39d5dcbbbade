"""Examining the folders of an exFAT volume: entry sets, names, and where contents lie."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from verify.filesystem.cluster_chain import FIRST_CLUSTER
from verify.filesystem.examination import Effect
from verify.filesystem.exfat.entry_types import (
    ALLOCATION_POSSIBLE,
    BENIGN,
    BITMAP,
    END,
    FILE,
    FOLDER_ATTRIBUTE,
    ILLEGAL,
    IN_USE,
    KNOWN_BENIGN,
    LABEL,
    MOST_LABEL_UNITS,
    NAME,
    NO_FAT_CHAIN,
    SECONDARY,
    SECONDARY_COUNTS,
    STREAM,
    UNITS_PER_NAME,
    UP_CASE,
)
from verify.filesystem.exfat.examine_clusters import LARGEST_FOLDER_BYTES, ROOT, At, Clusters, Runs
from verify.filesystem.exfat.examine_system import SystemFiles
from verify.filesystem.exfat.plain_folders import ENTRY, plain_folder, take_plain_files
from verify.filesystem.exfat.up_case import UpCase
from verify.structs.exfat import FILE_ENTRY, STREAM_EXTENSION
from verify.text.message import say

if TYPE_CHECKING:
    from verify.structs.base import Record

_MOST_KEPT = 4096
"""Sets behind the end of folders that are looked at once all owners are known."""

_BITS = 8
_LONGEST_NAME = 240


@dataclass(frozen=True, slots=True)
class _Folder:
    """Runs of clusters, and how many bytes of them the folder says it has; `name`: for people."""

    name: str
    runs: Runs
    length: int


@dataclass(slots=True)
class FolderWalk:
    """Goes through all folders, and gives every cluster its owner."""

    on: Clusters
    alive: Callable[[], None]
    _waiting: list[_Folder] = field(default_factory=list)
    _behind: list[tuple[At, list[bytes]]] = field(default_factory=list)
    _up_case: UpCase | None = None
    _labels: int = 0
    _upper: NDArray[np.uint16] | None = None

    def run(self) -> bytes | None:
        """Go through the volume; return the allocation bitmap where it can be read."""
        first = self.on.boot.number("FirstClusterOfRootDirectory")
        at = At(ROOT, 0, 0)
        root = self.on.chain(first, None, at, say("root folder"), Effect.REFUSED)
        folder = _Folder(ROOT, root, sum(count for _, count in root) * self.on.cluster_bytes)
        system = SystemFiles(self.on)
        system.find(folder.runs, folder.length)
        bitmap = system.read()
        self._up_case = system.up_case
        self._upper = None if self._up_case is None else self._up_case.table
        self._waiting.append(folder)
        while self._waiting:
            self._go_through(self._waiting.pop())
            self.alive()
        self._look_behind_ends(bitmap)
        return bitmap

    # --- one folder ---

    def _go_through(self, folder: _Folder) -> None:
        data, offsets = self.on.read(folder.runs, folder.length)
        self.on.structure.compared(len(offsets))
        plain = (
            None
            if self._upper is None
            else plain_folder(data, self._upper, is_root=folder.name == ROOT)
        )
        if plain is None:
            self._one_by_one(folder, data, offsets.tolist())
            return
        count, left = take_plain_files(
            plain, offsets, self.on.cluster_bytes, self.on.table, self.on.owners
        )
        self.on.allocation.compared(count)
        for position in left.tolist():
            at = At(folder.name, position, int(offsets[position]))
            end = position + data[position * ENTRY + 1] + 1
            entries = [data[row * ENTRY : (row + 1) * ENTRY] for row in range(position, end)]
            self._contents(at, entries)

    def _one_by_one(self, folder: _Folder, data: bytes, offsets: list[int]) -> None:
        """Examine every set by itself, and tell what is wrong with it."""
        pending: list[bytes] = []
        at, ended, told = At(folder.name, 0, 0), False, False
        for position, offset in enumerate(offsets):
            raw = data[position * ENTRY : (position + 1) * ENTRY]
            kind = raw[0]
            if ended and len(self._behind) >= _MOST_KEPT:
                break
            if kind & IN_USE and kind & SECONDARY and pending:
                pending.append(raw)
                continue
            self._finish(at, pending, ended=ended)
            pending = []
            ended = ended or kind == END
            if kind & IN_USE:
                at, pending = At(folder.name, position, offset), [raw]
                if ended and not told:
                    # NOTE: exfat-fuse reads on there, and does not list the folder.
                    self.on.fault(
                        at,
                        Effect.REPAIRED,
                        say("folder"),
                        say("end"),
                        say("entries in use stand behind it"),
                        say("nothing in use"),
                    )
                    told = True
                if kind & SECONDARY and not ended:
                    self.on.fault(
                        at, Effect.LOST, say("folder entry"), "EntryType", f"{kind:02X}",
                        say("a primary entry before it"),
                    )  # fmt: skip
                    pending = []
        self._finish(at, pending, ended=ended)

    def _finish(self, at: At, entries: list[bytes], *, ended: bool) -> None:
        """Examine a set of entries, once the next one does not belong to it."""
        if not entries:
            return
        kind = entries[0][0]
        if ended:
            if kind == FILE:
                self._behind.append((at, entries))
        elif kind == FILE:
            self._file(at, entries)
        elif kind in (BITMAP, UP_CASE, LABEL):
            self._root_entry(at, entries[0])
        elif kind not in KNOWN_BENIGN:
            # SPEC: 8.2, a benign entry that is not known is ignored. exfat-fuse stops at any.
            effect = Effect.REPAIRED if kind & BENIGN else Effect.LOST
            self.on.fault(
                at, effect, say("folder entry"), "EntryType", f"{kind:02X}", say("a known kind")
            )

    def _root_entry(self, at: At, raw: bytes) -> None:
        """Examine what the root alone holds (7.1 to 7.3); the bitmap and the table were, before."""
        kind, count = raw[0], raw[1]
        self._labels += kind == LABEL
        if at.folder != ROOT or self._labels > 1:
            self.on.fault(
                at, Effect.REPAIRED, say("folder entry"), "EntryType", f"{kind:02X}",
                say("in the root, and once"),
            )  # fmt: skip
        elif kind == LABEL and count > MOST_LABEL_UNITS:
            # NOTE: fsck.exfat and exfat-fuse give up.
            self.on.fault(
                at, Effect.REFUSED, say("volume label"), "CharacterCount", count,
                say("{most} at most", most=MOST_LABEL_UNITS),
            )  # fmt: skip

    def _file(self, at: At, entries: list[bytes]) -> None:
        """Examine the set of a file or folder (sections 6.3, 7.4, 7.6, 7.7)."""
        head = FILE_ENTRY.parse(entries[0])
        count = head.number("SecondaryCount")
        if count not in SECONDARY_COUNTS or len(entries) < count + 1:
            self.on.fault(
                at, Effect.LOST, say("entry set"), "SecondaryCount", count,
                say("2 to 18, and as many entries as follow ({count})", count=len(entries) - 1),
            )  # fmt: skip
            return
        if len(entries) > count + 1:
            self.on.fault(
                at, Effect.LOST, say("folder entry"), "EntryType", f"{entries[count + 1][0]:02X}",
                say("a primary entry before it"),
            )  # fmt: skip
        entries = entries[: count + 1]
        checksum = set_checksum(entries)
        if head.number("SetChecksum") != checksum:
            self.on.fault(
                at, Effect.LOST, say("entry set"), "SetChecksum",
                f"{head.number('SetChecksum'):04X}", f"{checksum:04X}",
            )  # fmt: skip
            return
        if entries[1][0] != STREAM:
            self.on.fault(
                at, Effect.LOST, say("entry set"), "EntryType", f"{entries[1][0]:02X}", "C0"
            )
            return
        unknown = [raw[0] for raw in entries[2:] if raw[0] != NAME and not raw[0] & BENIGN]
        if unknown:
            self.on.fault(at, Effect.LOST, say("entry set"), "EntryType", f"{unknown[0]:02X}", "C1")
        stream = STREAM_EXTENSION.parse(entries[1])
        self._name(at, stream, entries)
        self._contents(at, entries)

    def _name(self, at: At, stream: Record, entries: list[bytes]) -> None:
        length = stream.number("NameLength")
        parts = [raw[2:] for raw in entries[2:] if raw[0] == NAME]
        needed = -(-length // UNITS_PER_NAME)
        if not length or len(parts) != needed:
            self.on.fault(
                at, Effect.LOST, say("stream extension"), "NameLength", length,
                say("what {count} entries of a name hold", count=len(parts)),
            )  # fmt: skip
            return
        name = b"".join(parts)[: 2 * length]
        units = struct.unpack(f"<{length}H", name)
        if ILLEGAL.intersection(units):
            self.on.fault(
                at,
                Effect.REPAIRED,
                say("file name"),
                "FileName",
                name.hex(),
                say("no forbidden character"),
            )
        if self._up_case is None:
            return  # which is a fault of its own
        expected = self._up_case.name_hash(name)
        if stream.number("NameHash") != expected:
            self.on.fault(
                at, Effect.LOST, say("stream extension"), "NameHash",
                f"{stream.number('NameHash'):04X}", f"{expected:04X}",
            )  # fmt: skip

    def _contents(self, at: At, entries: list[bytes]) -> None:
        head, stream = FILE_ENTRY.parse(entries[0]), STREAM_EXTENSION.parse(entries[1])
        first, length = stream.number("FirstCluster"), stream.number("DataLength")
        valid, flags = stream.number("ValidDataLength"), stream.number("GeneralSecondaryFlags")
        is_folder = bool(head.number("FileAttributes") & FOLDER_ATTRIBUTE)
        if valid > length or (is_folder and valid != length):
            self.on.fault(
                at, Effect.LOST, say("stream extension"), "ValidDataLength", valid,
                f"{length}" if is_folder else say("{most} at most", most=length),
            )  # fmt: skip
        if is_folder and length > LARGEST_FOLDER_BYTES:
            self.on.fault(
                at, Effect.LOST, say("stream extension"), "DataLength", length,
                say("{most} at most", most=LARGEST_FOLDER_BYTES),
            )  # fmt: skip
            return
        if not flags & ALLOCATION_POSSIBLE and (first or length):
            self.on.fault(
                at, Effect.LOST, say("stream extension"), "GeneralSecondaryFlags", f"{flags:02X}",
                "AllocationPossible",
            )  # fmt: skip
        if not first:
            if length:
                self.on.fault(
                    at, Effect.LOST, say("stream extension"), "FirstCluster", 0, say("a cluster")
                )
            return
        needed = -(-length // self.on.cluster_bytes)
        if not needed:
            self.on.fault(at, Effect.REPAIRED, say("stream extension"), "FirstCluster", first, "0")
            return
        entered = FIRST_CLUSTER <= first < len(self.on.owners.marks) and self.on.owners.owned(first)
        if flags & NO_FAT_CHAIN:
            runs = self.on.run(first, needed, at)
        else:
            runs = self.on.chain(first, needed, at, say("folder") if is_folder else say("file"))
        if is_folder and runs and not entered:
            name = _name_within(at.folder, entries, stream.number("NameLength"), first)
            self._waiting.append(_Folder(name, runs, length))

    def _look_behind_ends(self, bitmap: bytes | None) -> None:
        """Tell of whole sets behind a folder's end whose clusters are in use, and nobody else's.

        Section 6.2.1.1: nothing in use stands behind the end; a folder's old clusters may hold
        what was left over, unless its contents are nobody else's.
        """
        for at, entries in self._behind:
            head = FILE_ENTRY.parse(entries[0])
            count = head.number("SecondaryCount")
            if count not in SECONDARY_COUNTS or len(entries) < count + 1:
                continue
            if set_checksum(entries[: count + 1]) != head.number("SetChecksum"):
                continue
            first = STREAM_EXTENSION.parse(entries[1]).number("FirstCluster")
            inside = FIRST_CLUSTER <= first < len(self.on.owners.marks)
            if inside and not self.on.owners.owned(first) and _in_use(bitmap, first):
                self.on.fault(
                    at,
                    Effect.LOST,
                    say("folder"),
                    say("end"),
                    say("a set in use stands behind it"),
                    say("nothing in use"),
                )


def set_checksum(entries: list[bytes]) -> int:
    """Return the checksum of a set of entries (section 6.3.3): its own two bytes are left out."""
    total = 0
    for byte in entries[0][:2] + entries[0][4:] + b"".join(entries[1:]):
        total = ((total & 1) << 15 | total >> 1) + byte & 0xFFFF
    return total


def _in_use(bitmap: bytes | None, cluster: int) -> bool:
    """Whether the bitmap marks a cluster; where it cannot be read, it may."""
    byte, bit = divmod(cluster - FIRST_CLUSTER, _BITS)
    return bitmap is None or byte >= len(bitmap) or bool(bitmap[byte] >> bit & 1)


def _name_within(folder: str, entries: list[bytes], length: int, cluster: int) -> str:
    """Name a folder within the one that holds it, as far as names are of use."""
    units = b"".join(raw[2:] for raw in entries[2:] if raw[0] == NAME)[: 2 * length]
    name = units.decode("utf-16-le", "backslashreplace")
    if len(folder) + len(name) > _LONGEST_NAME:
        return say("folder at cluster {cluster}", cluster=cluster)
    return say("folder {name}", name=name) if folder == ROOT else f"{folder}/{name}"
