"""The file records of an NTFS volume and their streams, found through $MFT's own run list.

What cannot be read raises `StructureError`, `PastEnd` or `SourceUnreadable`. Records are taken
apart by `record_decoder`, whose names can be had from here, too.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import accumulate
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.ntfs.record_decoder import (
    ATTRIBUTE_LIST_TYPE,
    DATA_TYPE,
    IN_USE_FLAG,
    MOST_CLUSTERS,
    NUMBER,
    SEQUENCE_AT,
    Attribute,
    FileRecord,
    Run,
    attribute_list,
    attributes,
    contradiction,
    decoded_runs,
    parsed,
    repaired,
)
from verify.source.window import Window
from verify.structs.ntfs import ATTRIBUTE, FILE_RECORD, NON_RESIDENT
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Iterator

__all__ = [
    "ATTRIBUTE_LIST_TYPE",
    "DATA_TYPE",
    "NUMBER",
    "SEQUENCE_AT",
    "Attribute",
    "FileRecord",
    "Records",
    "Run",
    "Stream",
    "attribute_list",
    "attributes",
    "decoded_runs",
    "parsed",
    "repaired",
]

_MIRRORED_RECORDS = 4
"""$MFTMirr repeats records 0 to 3: libfsntfs, 'The metadata files'."""

_LONGEST_LIST_BYTES = 256 * 1024
"""An attribute list is at most this long: Microsoft, NTFS attribute limits."""

_MOST_EXTENSION_BYTES = 4 << 20
"""Records that extend one record: 4,096 of 1 KiB, room for half a million fragments."""


@dataclass(frozen=True, slots=True)
class Stream:
    """A stream's bytes: resident, or `size` bytes in byte ranges (offset, length) of the volume.

    A sparse range has the offset `None`. `ends`: where in the stream each range ends. `valid`:
    how many bytes were written; zeros follow.
    """

    size: int
    value: bytes | None
    ranges: tuple[tuple[int | None, int], ...] = ()
    valid: int = 0
    ends: tuple[int, ...] = field(init=False)

    def __post_init__(self) -> None:
        """Add up where each range ends."""
        object.__setattr__(self, "ends", tuple(accumulate(size for _, size in self.ranges)))

    def parts(self, position: int, length: int) -> Iterator[tuple[int | None, int]]:
        """Yield where `length` bytes from `position` lie, as far as the stream has room."""
        for index in range(bisect_right(self.ends, position), len(self.ends)):
            if length <= 0:
                return
            start, size = self.ranges[index]
            inside = position - (self.ends[index] - size)
            taken = min(size - inside, length)
            yield (None if start is None else start + inside), taken
            position += taken
            length -= taken

    def located(self, position: int, length: int) -> list[tuple[int, int]]:
        """Return where `length` bytes from `position` of the stream lie, as (offset, length).

        Raises:
            StructureError: some of them are sparse, or past the stream's end.
        """
        found: list[tuple[int, int]] = []
        for start, taken in self.parts(position, length):
            if start is None:
                raise StructureError(
                    say("NTFS run list"), 0, say("run"), say("clusters"), say("a sparse run")
                )
            found.append((start, taken))
            length -= taken
        if length > 0:
            raise StructureError(
                say("NTFS run list"),
                0,
                say("length"),
                say("{length} bytes more", length=length),
                say("its end"),
            )
        return found


@dataclass(slots=True)
class Records:
    """The file records of a volume, found through $MFT's own run list.

    `mft_offset`, `mirror_offset` in bytes; `clusters` of the volume; `fallbacks` says which
    records came from $MFTMirr, and why.
    """

    window: Window
    record_bytes: int
    cluster_bytes: int
    mft_offset: int
    mirror_offset: int
    clusters: int = MOST_CLUSTERS
    fallbacks: list[tuple[int, str]] = field(default_factory=list)
    mft: Stream | None = None

    def load(self) -> Stream:
        """Learn from record 0 where the others are; until then they are taken to follow it.

        Returns the stream that all records lie in.

        Raises:
            StructureError: neither copy of record 0 can be read as one.
        """
        found = self.attributes_of(0)
        # The base record's own runs hold every record that extends it.
        self.mft = self.joined(found, DATA_TYPE)
        self.mft = self.stream(0)
        return self.mft

    def record(self, number: int, base: int = 0) -> FileRecord:
        """Return a record in use, from $MFTMirr where the first copy is unreadable.

        `base`: the record that it extends.

        Raises:
            StructureError: it is not in use, not whole, not the one, or extends another.
        """
        try:
            data, at = self._stored(number)
            found = self._parsed(data, at, number)
        except UNREADABLE as error:
            if number >= _MIRRORED_RECORDS:
                raise
            mirror = self.mirror_offset + number * self.record_bytes
            found = self._parsed(self.window.read(mirror, self.record_bytes), mirror, number)
            self.fallbacks.append((number, str(error)))
        if not found.flags & IN_USE_FLAG:
            raise contradiction(found.at, "flags", say("in use"), found.flags)
        if found.base & NUMBER != base:
            raise contradiction(found.at, "base_record", str(base), found.base & NUMBER)
        return found

    def attributes_of(self, number: int) -> list[Attribute]:
        """Return the attributes that stand in a record itself."""
        return self.record(number).attributes

    def value(self, number: int, kind: int) -> bytes | None:
        """Return the resident value of a record's first attribute of a type; `None`: has none."""
        values = (item.value for item in self.attributes_of(number) if item.type == kind)
        return next(values, None)

    def stream(self, number: int, kind: int = DATA_TYPE, name: str = "") -> Stream:
        """Return a stream of a record, its attribute list followed.

        Raises:
            StructureError: it has none, or parts of its run list are missing.
        """
        return self.joined(self.parts(self.record(number), {kind}), kind, name)

    def parts(self, record: FileRecord, kinds: Container[int]) -> list[Attribute]:
        """Return a record's attributes of some types, those in records that extend it too."""
        found = [item for item in record.attributes if item.type in kinds]
        for item in record.attributes:
            if item.type == ATTRIBUTE_LIST_TYPE:
                for number in self._extensions(item, record.number, kinds):
                    further = self.record(number, record.number).attributes
                    found += [part for part in further if part.type in kinds]
        return found

    def joined(self, parts: Iterable[Attribute], kind: int, name: str = "") -> Stream:
        """Return the stream of a type and a name whose run list these attributes hold.

        Raises:
            StructureError: there is none, or a part of it is missing.
        """
        own = sorted(
            (part for part in parts if part.type == kind and part.name == name),
            key=lambda part: part.first_vcn,
        )
        if not own:
            wanted = say("one of type {kind} named {name}", kind=f"{kind:#x}", name=repr(name))
            raise StructureError(FILE_RECORD.name, 0, say("stream"), wanted, say("none"))
        first = own[0]
        if first.value is not None:
            if len(own) > 1:
                raise StructureError(ATTRIBUTE.name, first.at, "type", say("once"), str(len(own)))
            return Stream(len(first.value), first.value, valid=len(first.value))
        ranges: list[tuple[int | None, int]] = []
        vcn = 0
        for part in own:
            if part.value is not None or part.first_vcn != vcn:
                got = say("a value") if part.value is not None else str(part.first_vcn)
                raise StructureError(NON_RESIDENT.name, part.at, "first_vcn", str(vcn), got)
            for clusters, start in part.runs:
                offset = None if start is None else start * self.cluster_bytes
                ranges.append((offset, clusters * self.cluster_bytes))
                vcn += clusters
        return Stream(first.data_size, None, tuple(ranges), first.valid_size)

    def contents(self, stream: Stream) -> bytes:
        """Return all bytes of a stream; bound its size first."""
        if stream.value is not None:
            return stream.value
        places = stream.located(0, stream.size)
        data = b"".join(self.window.read(offset, length) for offset, length in places)
        return data[: stream.valid].ljust(stream.size, b"\0")

    def _stored(self, number: int) -> tuple[bytes, int]:
        """Return a record as it is stored, and where."""
        position = number * self.record_bytes
        if self.mft is None:
            places = [(self.mft_offset + position, self.record_bytes)]
        else:
            places = self.mft.located(position, self.record_bytes)
        return b"".join(self.window.read(offset, size) for offset, size in places), places[0][0]

    def _parsed(self, data: bytes, at: int, number: int) -> FileRecord:
        return parsed(repaired(data, at), at, number, self.clusters)

    def _extensions(self, item: Attribute, base: int, kinds: Container[int]) -> list[int]:
        """Return the records that hold attributes of some types, each once, in order."""
        stream = self.joined([item], ATTRIBUTE_LIST_TYPE)
        if stream.size > _LONGEST_LIST_BYTES:
            most = say("at most {most}", most=_LONGEST_LIST_BYTES)
            raise StructureError(
                say("NTFS attribute list"), item.at, say("size"), most, str(stream.size)
            )
        listed = attribute_list(self.contents(stream), item.at)
        numbers = dict.fromkeys(entry.number for entry in listed if entry.type in kinds)
        numbers.pop(base, None)
        room = _MOST_EXTENSION_BYTES // self.record_bytes
        if len(numbers) > room:
            found = str(len(numbers))
            raise StructureError(
                say("NTFS attribute list"),
                item.at,
                say("records"),
                say("up to {most}", most=room),
                found,
            )
        return list(numbers)
