"""NTFS file records: fix-ups, attributes, run lists, attribute lists.

Everything here raises `StructureError`, `PastEnd` or `SourceUnreadable` for what cannot be read.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import accumulate

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE
from verify.source.window import Window
from verify.structs.ntfs import (
    ATTRIBUTE,
    ATTRIBUTE_LIST_ENTRY,
    FILE_RECORD,
    FILE_SIGNATURE,
    NON_RESIDENT,
    RESIDENT,
)

ATTRIBUTE_LIST_TYPE = 0x20
DATA_TYPE = 0x80
_END_TYPE = 0xFFFFFFFF

_MIRRORED_RECORDS = 4
"""$MFTMirr repeats records 0 to 3: libfsntfs, 'The metadata files'."""

_LONGEST_LIST_BYTES = 256 * 1024
"""An attribute list is at most this long: Microsoft, NTFS attribute limits."""

_MOST_EXTENSION_BYTES = 4 << 20
"""Records that extend one record: 4,096 of 1 KiB, room for half a million fragments."""

NUMBER, SEQUENCE_AT = (1 << 48) - 1, 48
"""A reference to a record holds its number, and from bit 48 on the number of its reuses."""

_STRIDES = (512, 1024, 2048, 4096)

Run = tuple[int, int | None]
"""Clusters, and the first of them; `None` for a sparse run."""


@dataclass(frozen=True, slots=True)
class Attribute:
    """One attribute: its value where it is resident, else its part of the run list."""

    type: int
    named: bool
    value: bytes | None
    first_vcn: int = 0
    data_size: int = 0
    runs: tuple[Run, ...] = ()


@dataclass(frozen=True, slots=True)
class Stream:
    """A stream's bytes: resident, or `size` bytes in byte ranges (offset, length) of the volume.

    A sparse range has the offset `None`. `ends`: where in the stream each range ends.
    """

    size: int
    value: bytes | None
    ranges: tuple[tuple[int | None, int], ...] = ()
    ends: tuple[int, ...] = ()

    def located(self, position: int, length: int) -> list[tuple[int, int]]:
        """Return where `length` bytes from `position` of the stream lie, as (offset, length).

        Raises:
            StructureError: some of them are sparse, or past the stream's end.
        """
        ends = self.ends
        found: list[tuple[int, int]] = []
        for index in range(bisect_right(ends, position), len(ends)):
            if length <= 0:
                break
            start, size = self.ranges[index]
            if start is None:
                raise StructureError("NTFS run list", 0, "run", "clusters", "a sparse run")
            inside = position - (ends[index] - size)
            taken = min(size - inside, length)
            found.append((start + inside, taken))
            position += taken
            length -= taken
        if length > 0:
            raise StructureError("NTFS run list", 0, "length", f"{length} bytes more", "its end")
        return found


def repaired(data: bytes, at: int) -> bytes:
    """Return a file record with its fix-ups undone.

    Raises:
        StructureError: no file record, or a torn one: a stride does not end in the sequence
            number, so part of the record was never written.
    """
    record = FILE_RECORD.parse(data, at)
    if record.raw("signature") != FILE_SIGNATURE:
        got = record.raw("signature").hex(" ")
        raise StructureError("NTFS file record", at, "signature", "'FILE'", got)
    offset, count = record.number("fixup_offset"), record.number("fixup_count")
    stride = len(data) // (count - 1) if count > 1 else 0
    # NOTE: strides are 512 bytes whatever the sector size; one sector each is accepted as well.
    if stride not in _STRIDES or offset + 2 * count > stride:
        raise StructureError("NTFS file record", at, "fixup_count", "one a stride", str(count))
    whole = bytearray(data)
    for index in range(1, count):
        end = index * stride
        if data[end - 2 : end] != data[offset : offset + 2]:
            raise StructureError(
                "NTFS file record", at + end - 2, "fix-up", "the sequence number", "a torn write"
            )
        whole[end - 2 : end] = data[offset + 2 * index : offset + 2 * index + 2]
    return bytes(whole)


def decoded_runs(data: bytes, at: int) -> tuple[Run, ...]:
    """Return a run list (libfsntfs, 'Data runs') up to its end mark.

    Raises:
        StructureError: a run without a length, one before the volume, or no end mark.
    """
    runs: list[Run] = []
    position, cluster = 0, 0
    while position < len(data) and data[position]:
        length_size, offset_size = data[position] & 0xF, data[position] >> 4
        middle = position + 1 + length_size
        end = middle + offset_size
        length = int.from_bytes(data[position + 1 : middle], "little")
        if end > len(data) or not length:
            raise StructureError("NTFS run list", at, "run", "a length", data[position:][:17].hex())
        if offset_size:
            cluster += int.from_bytes(data[middle:end], "little", signed=True)
            if cluster < 0:
                raise StructureError("NTFS run list", at, "cluster", "0 or more", str(cluster))
            runs.append((length, cluster))
        else:
            runs.append((length, None))
        position = end
    if position >= len(data):
        raise StructureError("NTFS run list", at, "end mark", "00", "none")
    return tuple(runs)


def attributes(record: bytes, at: int) -> list[Attribute]:
    """Return the attributes of a repaired file record, in order.

    Raises:
        StructureError: one that runs past the record, or into itself.
    """
    header = FILE_RECORD.parse(record, at)
    position = header.number("first_attribute")
    end = min(header.number("used_bytes"), len(record))
    found: list[Attribute] = []
    while position + 8 <= end:
        (kind,) = struct.unpack_from("<I", record, position)
        if kind == _END_TYPE:
            return found
        head = ATTRIBUTE.parse(record[position:end], at + position)
        length = head.number("length")
        if length < RESIDENT.size or position + length > end:
            raise StructureError(ATTRIBUTE.name, at + position, "length", "inside", str(length))
        found.append(_attribute(record[position : position + length], at + position))
        position += length
    return found


def _attribute(data: bytes, at: int) -> Attribute:
    head = ATTRIBUTE.parse(data, at)
    kind, named = head.number("type"), bool(head.number("name_length"))
    if not head.number("non_resident"):
        body = RESIDENT.parse(data, at)
        start, length = body.number("value_offset"), body.number("value_length")
        if start + length > len(data):
            raise StructureError(RESIDENT.name, at, "value_length", "inside", str(length))
        return Attribute(kind, named, data[start : start + length])
    body = NON_RESIDENT.parse(data, at)
    runs = decoded_runs(data[body.number("runs_offset") :], at)
    return Attribute(kind, named, None, body.number("first_vcn"), body.number("data_size"), runs)


@dataclass(slots=True)
class Records:
    """The file records of a volume, found through $MFT's own run list.

    `mft_offset`, `mirror_offset` in bytes; `fallbacks` says which records came from $MFTMirr, and
    why.
    """

    window: Window
    record_bytes: int
    cluster_bytes: int
    mft_offset: int
    mirror_offset: int
    fallbacks: list[tuple[int, str]] = field(default_factory=list)
    _mft: Stream | None = None

    def load(self) -> Stream:
        """Learn from record 0 where the others are; until then they are taken to follow it.

        Returns the stream that all records lie in.

        Raises:
            StructureError: neither copy of record 0 can be read as one.
        """
        found = self.attributes_of(0)
        # The base record's own runs hold every record that extends it.
        own = [item for item in found if item.type == DATA_TYPE and not item.named]
        self._mft = self._joined(own)
        self._mft = self.stream(0)
        return self._mft

    def attributes_of(self, number: int) -> list[Attribute]:
        """Return the attributes of a record, from $MFTMirr where the first copy is unreadable."""
        try:
            return self._parsed(self._places(number))
        except UNREADABLE as error:
            if number >= _MIRRORED_RECORDS:
                raise
            mirror = self.mirror_offset + number * self.record_bytes
            found = self._parsed([(mirror, self.record_bytes)])
            self.fallbacks.append((number, str(error)))
            return found

    def value(self, number: int, kind: int) -> bytes | None:
        """Return the resident value of a record's first attribute of a type; `None`: has none."""
        values = (item.value for item in self.attributes_of(number) if item.type == kind)
        return next(values, None)

    def stream(self, number: int) -> Stream:
        """Return the unnamed stream of a record, its attribute list followed.

        Raises:
            StructureError: it has none, or parts of its run list are missing.
        """
        own = self.attributes_of(number)
        parts = [item for item in own if item.type == DATA_TYPE and not item.named]
        for item in own:
            if item.type == ATTRIBUTE_LIST_TYPE:
                for other in self._extensions(item, number):
                    parts += [
                        part
                        for part in self.attributes_of(other)
                        if part.type == DATA_TYPE and not part.named
                    ]
        return self._joined(parts)

    def _places(self, number: int) -> list[tuple[int, int]]:
        position = number * self.record_bytes
        if self._mft is None:
            return [(self.mft_offset + position, self.record_bytes)]
        return self._mft.located(position, self.record_bytes)

    def _parsed(self, places: list[tuple[int, int]]) -> list[Attribute]:
        data = b"".join(self.window.read(offset, length) for offset, length in places)
        return attributes(repaired(data, places[0][0]), places[0][0])

    def _extensions(self, item: Attribute, base: int) -> list[int]:
        """Return the records that hold parts of the unnamed stream, each once, in order."""
        listed = item.value
        if listed is None:
            stream = self._joined([item])
            places = stream.located(0, min(stream.size, _LONGEST_LIST_BYTES))
            listed = b"".join(self.window.read(offset, length) for offset, length in places)
        numbers: dict[int, None] = {}
        position, most = 0, _MOST_EXTENSION_BYTES // self.record_bytes
        while position + ATTRIBUTE_LIST_ENTRY.size <= len(listed) and len(numbers) < most:
            entry = ATTRIBUTE_LIST_ENTRY.parse(listed[position:])
            if entry.number("type") == DATA_TYPE and not entry.number("name_length"):
                numbers[entry.number("file_reference") & NUMBER] = None
            if entry.number("length") < ATTRIBUTE_LIST_ENTRY.size:
                break
            position += entry.number("length")
        numbers.pop(base, None)
        return list(numbers)

    def _joined(self, parts: list[Attribute]) -> Stream:
        """Return the stream whose run list these attributes hold.

        Raises:
            StructureError: there is none, or a part of it is missing.
        """
        if not parts:
            raise StructureError("NTFS file record", 0, "unnamed stream", "one", "none")
        parts = sorted(parts, key=lambda part: part.first_vcn)
        first = parts[0]
        if first.value is not None:
            return Stream(len(first.value), first.value)
        ranges: list[tuple[int | None, int]] = []
        vcn = 0
        for part in parts:
            if part.first_vcn != vcn:
                raise StructureError("NTFS run list", 0, "first_vcn", str(vcn), str(part.first_vcn))
            for clusters, start in part.runs:
                offset = None if start is None else start * self.cluster_bytes
                ranges.append((offset, clusters * self.cluster_bytes))
                vcn += clusters
        ends = tuple(accumulate(size for _, size in ranges))
        return Stream(first.data_size, None, tuple(ranges), ends)
