"""Listing exFAT from its directory entries (Microsoft, exFAT file system specification, §§4, 6, 7).

Read here, since the library ignores the valid data length (it returns what lies behind it on the
drive) and lists stale entries behind the end of a directory.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.errors import PastEnd, ReaderError, SourceUnreadable, StructureError
from verify.filesystem.entry import Entry
from verify.filesystem.tree import below
from verify.filesystem.volume import MOST_EXTENTS, Place
from verify.source.window import Window
from verify.structs.base import Record
from verify.structs.exfat import (
    BOOT_SECTOR,
    FILE_ENTRY,
    MOST_CLUSTER_SHIFT,
    SECTOR_SHIFTS,
    STREAM_EXTENSION,
)
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


_ENTRY = 32

_LEAST_ENTRIES = 2
"""A file directory entry and its stream extension; names follow."""

_FILE, _STREAM, _NAME, _END = 0x85, 0xC0, 0xC1, 0x00
_FOLDER_ATTRIBUTE, _NO_FAT_CHAIN = 0x10, 0x02
_FIRST_CLUSTER, _LAST_LINK = 2, 0xFFFFFFF6
LARGEST_FOLDER_BYTES = 256 << 20
"""§7.4: a directory is at most 256 MB long."""


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a file's bytes lie: runs of clusters, its length, and how much of it is valid."""

    runs: tuple[tuple[int, int], ...]
    length: int
    valid: int


@dataclass(slots=True)
class ExfatVolume:
    """An exFAT volume, read from its own structures."""

    window: Window
    incomplete: list[str] = field(default_factory=list)
    _boot: Record = field(init=False)
    _places: dict[int, _Place] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Read the boot sector.

        Raises:
            ReaderError: it cannot be read, or its shifts are out of range.
        """
        try:
            self._boot = BOOT_SECTOR.parse(self.window.read(0, BOOT_SECTOR.size))
        except (SourceUnreadable, PastEnd, StructureError) as error:
            raise _failure(say("open the filesystem"), str(error)) from error
        sector_shift = self._boot.number("BytesPerSectorShift")
        if sector_shift not in SECTOR_SHIFTS:
            raise _failure(say("open the filesystem"), say("its sector size is out of range"))
        if sector_shift + self._boot.number("SectorsPerClusterShift") > MOST_CLUSTER_SHIFT:
            raise _failure(say("open the filesystem"), say("its cluster size is out of range"))

    @property
    def narrowed(self) -> int:
        """None: nothing is read ahead here."""
        return 0

    @property
    def cluster_bytes(self) -> int:
        """Bytes a cluster."""
        boot = self._boot
        return 1 << (boot.number("BytesPerSectorShift") + boot.number("SectorsPerClusterShift"))

    def _sector_offset(self, name: str) -> int:
        return self._boot.number(name) << self._boot.number("BytesPerSectorShift")

    def entries(self) -> Iterator[Entry]:
        """Yield every allocated name, a folder before its contents, siblings by code points."""
        return below(self)

    def children(self, folder: Entry | None) -> list[Entry]:
        """Read one folder (`None`: the root); what cannot be read is reported in `incomplete`."""
        if folder is None:
            return self._children("", self._root(), first=True)
        return self._children(folder.path, self._places.pop(folder.node))

    def mark(self, folder: Entry | None) -> int | None:
        """Return the first cluster of a folder; `None` for an empty one."""
        place = self._root() if folder is None else self._places[folder.node]
        return place.runs[0][0] if place.runs else None

    def is_branch(self, entry: Entry) -> bool:
        """Whether an entry is a folder."""
        return entry.kind == "folder"

    def _root(self) -> _Place:
        return self._place(self._boot.number("FirstClusterOfRootDirectory"), None, None)

    def _children(self, folder: str, place: _Place, *, first: bool = False) -> list[Entry]:
        found: list[Entry] = []
        pending: list[tuple[int, bytes]] = []
        expected = 0
        try:
            for node, raw in self._records(place):
                if raw[0] == _END:
                    break
                if raw[0] == _FILE:
                    expected, pending = raw[1], [(node, raw)]
                elif pending and raw[0] & 0x40:
                    pending.append((node, raw))
                else:
                    pending = []
                if pending and len(pending) == expected + 1:
                    found.append(self._entry(folder, pending))
                    pending = []
        except (SourceUnreadable, PastEnd, StructureError, ReaderError) as error:
            if first and not found:
                raise _failure(say("read the root folder"), str(error)) from error
            self.incomplete.append(f"{folder or '/'}: {error}")
        found.sort(key=lambda entry: entry.path)
        return found

    def _records(self, place: _Place) -> Iterator[tuple[int, bytes]]:
        """Yield each directory entry with its byte offset in the volume, which names the file."""
        left = min(place.length, LARGEST_FOLDER_BYTES)
        for cluster, count in place.runs:
            for index in range(count):
                offset = self._cluster_offset(cluster + index)
                data = self.window.read(offset, min(self.cluster_bytes, left))
                left -= len(data)
                for at in range(0, len(data) - _ENTRY + 1, _ENTRY):
                    yield offset + at, data[at : at + _ENTRY]
                if left <= 0:
                    return

    def _entry(self, folder: str, records: list[tuple[int, bytes]]) -> Entry:
        node, first = records[0]
        head = FILE_ENTRY.parse(first, node)
        if len(records) < _LEAST_ENTRIES or records[1][1][0] != _STREAM:
            raise StructureError(STREAM_EXTENSION.name, node, "EntryType", "0xC0", say("another"))
        stream = STREAM_EXTENSION.parse(records[1][1], records[1][0])
        units = b"".join(raw[2:] for _, raw in records[2:] if raw[0] == _NAME)
        text = units[: 2 * stream.number("NameLength")].decode("utf-16-le", "surrogatepass")
        place = self._place(
            stream.number("FirstCluster"),
            stream.number("DataLength"),
            stream.number("ValidDataLength"),
            chained=not stream.number("GeneralSecondaryFlags") & _NO_FAT_CHAIN,
        )
        attributes = head.number("FileAttributes")
        is_folder = bool(attributes & _FOLDER_ATTRIBUTE)
        self._places[node] = place
        return Entry(
            "folder" if is_folder else "file",
            f"{folder}/{text}",
            size=0 if is_folder else place.length,
            modified=_moment(head, "LastModified"),
            created=_moment(head, "Create"),
            node=node,
            extents=list(place.runs[:MOST_EXTENTS]),
            attributes=attributes,
        )

    def _cluster_offset(self, cluster: int) -> int:
        heap = self._sector_offset("ClusterHeapOffset")
        return heap + (cluster - _FIRST_CLUSTER) * self.cluster_bytes

    def _place(
        self, cluster: int, length: int | None, valid: int | None, *, chained: bool = True
    ) -> _Place:
        """Follow a chain of clusters; `length` is `None` for the root, whose chain tells it."""
        count = self._boot.number("ClusterCount")
        needed = count if length is None else -(-length // self.cluster_bytes)
        if needed == 0:
            return _Place((), 0, 0)
        if needed > count:
            raise _failure(say("follow a file"), say("it claims more clusters than the volume has"))
        if not chained:
            runs: tuple[tuple[int, int], ...] = ((cluster, needed),)
        else:
            runs = tuple(self._chain(cluster, needed, whole=length is not None))
        total = sum(run for _, run in runs) * self.cluster_bytes
        size = total if length is None else length
        return _Place(runs, size, size if valid is None else min(valid, size))

    def _chain(self, cluster: int, needed: int, *, whole: bool) -> Iterator[tuple[int, int]]:
        """Yield runs of a FAT chain; the volume's cluster count bounds it, so a loop ends."""
        table = self._sector_offset("FatOffset")
        last = self._boot.number("ClusterCount") + _FIRST_CLUSTER
        start, run, left = cluster, 0, needed
        while left and _FIRST_CLUSTER <= cluster < last:
            if cluster != start + run:
                yield start, run
                start, run = cluster, 0
            run += 1
            left -= 1
            cluster = int.from_bytes(self.window.read(table + 4 * cluster, 4), "little")
            if cluster > _LAST_LINK:
                break
        if run:
            yield start, run
        if whole and left:
            raise _failure(
                say("follow a chain of clusters"), say("it ends {left} clusters early", left=left)
            )

    def straight(self, node: int, size: int) -> None:
        """Return nothing: `read` knows all places."""

    def prepare(self, nodes: Iterable[int]) -> None:
        """Nothing: where a file lies was kept as it was listed."""

    def read(self, entry: Entry, offset: int, length: int, stream: str | None = None) -> bytes:
        """Return exactly `length` bytes; behind the valid data length they are zeros (§7.6.5)."""
        if stream is not None:
            raise _failure(say("read {path}", path=entry.path), say("exFAT has no named streams"))
        try:
            place = self._places.get(entry.node) or self._place_again(entry)
            valid = max(0, min(length, place.valid - offset))
            return self._bytes(place, offset, valid) + bytes(length - valid)
        except (SourceUnreadable, PastEnd, StructureError) as error:
            raise _failure(say("read {path}", path=entry.path), str(error)) from error

    def _place_again(self, entry: Entry) -> _Place:
        stream = STREAM_EXTENSION.parse(
            self.window.read(entry.node + _ENTRY, _ENTRY), entry.node + _ENTRY
        )
        return self._place(
            stream.number("FirstCluster"),
            stream.number("DataLength"),
            stream.number("ValidDataLength"),
            chained=not stream.number("GeneralSecondaryFlags") & _NO_FAT_CHAIN,
        )

    def _bytes(self, place: _Place, offset: int, length: int) -> bytes:
        parts: list[bytes] = []
        skipped = offset
        for cluster, count in place.runs:
            size = count * self.cluster_bytes
            if skipped >= size:
                skipped -= size
                continue
            take = min(size - skipped, length)
            if take <= 0:
                break
            parts.append(self.window.read(self._cluster_offset(cluster) + skipped, take))
            length -= take
            skipped = 0
        return b"".join(parts)

    def reparse_data(self, entry: Entry) -> bytes:  # noqa: ARG002 - the protocol has it
        """Return nothing: exFAT has no reparse points."""
        return b""

    def place(self, first: int, count: int) -> Place:
        """Return where a run of clusters lies."""
        return Place(None, self._cluster_offset(first), count * self.cluster_bytes)

    def places(self, entry: Entry) -> Iterator[Place]:
        """Yield where an entry's clusters lie."""
        try:
            runs = (self._places.get(entry.node) or self._place_again(entry)).runs
        except (SourceUnreadable, PastEnd, StructureError) as error:
            raise _failure(
                say("find the clusters of {path}", path=entry.path), str(error)
            ) from error
        for first, count in runs:
            yield self.place(first, count)

    def change_journal(self) -> None:
        """ExFAT keeps none."""

    def structures(self) -> Iterator[Place]:
        """Yield the boot regions, the FAT and the root folder (§2, §3)."""
        table, heap = self._sector_offset("FatOffset"), self._sector_offset("ClusterHeapOffset")
        yield Place("the boot regions", 0, table)
        yield Place("the FAT", table, heap - table)
        try:
            root = self._place(self._boot.number("FirstClusterOfRootDirectory"), None, None)
        except (SourceUnreadable, PastEnd, ReaderError):
            return
        for first, count in root.runs:
            place = self.place(first, count)
            yield Place("the root folder", place.start, place.length)


def _moment(head: Record, which: str) -> int | None:
    """Return a timestamp as nanoseconds since 1970 UTC (§7.4.8-7.4.10).

    Where the UTC offset is not marked valid, local time is taken as it stands.
    """
    stamp = head.number(f"{which}Timestamp")
    day, month, year = stamp >> 16 & 31, stamp >> 21 & 15, 1980 + (stamp >> 25)
    if month not in range(1, 13) or not day:
        return None
    clock = (year, month, day, stamp >> 11 & 31, stamp >> 5 & 63, 2 * (stamp & 31))
    seconds = calendar.timegm((*clock, 0, 1, 0))
    offset = head.number(f"{which}UtcOffset")
    if offset & 0x80:
        quarters = (offset & 0x7F) - (0x80 if offset & 0x40 else 0)
        seconds -= quarters * 15 * 60
    return seconds * 1_000_000_000 + head.number(f"{which}10msIncrement") * 10_000_000


def _failure(doing: str, reason: str) -> ReaderError:
    return ReaderError(say("the exFAT reader"), doing, reason)
