"""The attributes of one NTFS file put together: by its record alone, or by its attribute list.

Source: libfsntfs, NTFS format, 'The attribute list attribute'; ntfs-3g finds every attribute of
such a file by the list alone (libntfs-3g, attrib.c, ntfs_external_attr_find).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from verify.filesystem.ntfs.examine_records import ATTRIBUTE_NAME, RUN_LIST
from verify.filesystem.ntfs.examined_volume import FaultyError, Whole
from verify.filesystem.ntfs.records import ATTRIBUTE_LIST_TYPE, NUMBER, SEQUENCE_AT
from verify.structs.ntfs import ATTRIBUTE_LIST_ENTRY

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.ntfs.examined_volume import Examined, Gathered, Part
    from verify.filesystem.ntfs.records import Run

LIST = "attribute list"
_ENTRY = ATTRIBUTE_LIST_ENTRY.packed(
    "type", "length", "name_length", "name_offset", "first_vcn", "file_reference", "identifier"
)
_LONGEST_LIST = 256 << 10
"""Microsoft, NTFS attribute limits."""

_REPEATED = frozenset({0x30})
"""Attributes of which a file has several under one name: $FILE_NAME."""


class ListEntry(NamedTuple):
    """An entry of an attribute list; `reference` leads to the record that has the attribute."""

    kind: int
    name: str
    first_vcn: int
    reference: int
    identifier: int


Key = tuple[int, int, str, int, int]
"""Record, type, name, first cluster, identifier: what an entry of a list tells of a part."""


def put_together(volume: Examined, parts: list[Part]) -> Iterator[Whole]:
    """Yield the attributes that the parts make up.

    Raises:
        FaultyError: a part is missing or there twice, or the sizes do not fit the clusters.
    """
    groups: dict[tuple[int, str], list[Part]] = {}
    for part in parts:
        groups.setdefault((part.kind, part.name), []).append(part)
    for (kind, _), group in groups.items():
        if kind in _REPEATED:
            for part in group:
                yield _whole(volume, [part])
        else:
            yield _whole(volume, group)


def _whole(volume: Examined, parts: list[Part]) -> Whole:
    parts.sort(key=lambda part: part.vcns[0])
    first, runs = parts[0], parts[0].runs
    if len(parts) > 1:
        runs = _joined(parts)
    if first.vcns[0] or (len(parts) > 1 and first.value is not None):
        raise FaultyError(RUN_LIST, "first cluster", first.vcns[0], "one part from 0 on", first.at)
    if first.value is None:
        room = sum(count for count, _ in runs) * volume.sizes.cluster_bytes
        for name, stored, expected in (
            ("allocated size", first.allocated, room),
            ("size", first.size, min(first.size, room)),
            ("initialised size", first.valid, min(first.valid, first.size)),
        ):
            if stored != expected:
                raise FaultyError(ATTRIBUTE_NAME, name, stored, expected, first.at)
    return Whole(
        first.kind, first.name, first.flags, first.at, first.value, first.size, first.valid, runs
    )


def _joined(parts: list[Part]) -> tuple[Run, ...]:
    runs: list[Run] = []
    following = 0
    for part in parts:
        if part.value is not None or part.vcns[0] != following:
            raise FaultyError(RUN_LIST, "first cluster", part.vcns[0], following, part.at)
        following = part.vcns[1] + 1
        runs += part.runs
    return tuple(runs)


def hold_list(volume: Examined, gathered: Gathered, listed: Whole, parts: list[Part]) -> None:
    """Hold the list of a file against the attributes that its records have.

    Raises:
        FaultyError: the list is not whole, names what is not there, or leaves something out.
    """
    there: set[Key] = {
        (part.record, part.kind, part.name, part.vcns[0], part.identifier)
        for part in parts
        if part.kind != ATTRIBUTE_LIST_TYPE
    }
    for entry in list_entries(volume, listed):
        number = entry.reference & NUMBER
        key = (number, entry.kind, entry.name, entry.first_vcn, entry.identifier)
        if key not in there or entry.reference >> SEQUENCE_AT != gathered.sequence[number]:
            wanted = "an attribute that is there"
            raise FaultyError(
                LIST, "entry", f"{entry.kind:X} in record {number}", wanted, listed.at
            )
        there.remove(key)
    if there:
        number, kind, *_ = min(there)
        wanted = f"one for {kind:X} in record {number} too"
        raise FaultyError(LIST, "entries", "some", wanted, listed.at)


def list_entries(volume: Examined, listed: Whole) -> Iterator[ListEntry]:
    """Yield the entries of an attribute list.

    Raises:
        FaultyError: one does not end inside, or the list cannot be read.
    """
    data = volume.bytes_of(listed, _LONGEST_LIST)
    position = 0
    while position < len(data):
        head = data[position : position + ATTRIBUTE_LIST_ENTRY.size]
        if len(head) < ATTRIBUTE_LIST_ENTRY.size:
            raise FaultyError(LIST, "length", len(data), position, listed.at)
        kind, length, letters, name_at, first, reference, identifier = _ENTRY.unpack(head)
        end = name_at + 2 * letters
        if length < ATTRIBUTE_LIST_ENTRY.size or position + length > len(data) or length & 7:
            raise FaultyError(LIST, "length of entry", length, "inside", listed.at)
        if letters and not ATTRIBUTE_LIST_ENTRY.size <= name_at <= end <= length:
            raise FaultyError(LIST, "name", f"{name_at} to {end}", "inside", listed.at)
        name = data[position + name_at : position + end] if letters else b""
        text = name.decode("utf-16-le", "surrogatepass")
        yield ListEntry(kind, text, first, reference, identifier)
        position += length
