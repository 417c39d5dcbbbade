"""The attributes of one NTFS file put together: by its record alone, or by its attribute list.

Source: libfsntfs, NTFS format, 'The attribute list attribute'; ntfs-3g finds every attribute of
such a file by the list alone (libntfs-3g, attrib.c, ntfs_external_attr_find).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.ntfs.examine_records import ATTRIBUTE_NAME, RUN_LIST
from verify.filesystem.ntfs.examined_volume import FaultyError, Whole
from verify.filesystem.ntfs.marks import FILE_NAME_TYPE
from verify.filesystem.ntfs.record_decoder import ATTRIBUTE_LIST_TYPE, attribute_list
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.ntfs.examined_volume import Examined, Gathered
    from verify.filesystem.ntfs.record_decoder import Attribute, FileRecord, Listed, Run

LIST = say("attribute list")
_LONGEST_LIST = 256 << 10
"""Microsoft, NTFS attribute limits."""

Key = tuple[int, int, str, int, int]
"""Record, type, name, first cluster, identifier: what an entry of a list tells of an attribute."""


def put_together(volume: Examined, parts: Iterable[Attribute]) -> Iterator[Whole]:
    """Yield the attributes that the parts make up.

    Raises:
        FaultyError: a part is missing or there twice, or the sizes do not fit the clusters.
    """
    groups: dict[tuple[int, str], list[Attribute]] = {}
    for part in parts:
        groups.setdefault((part.type, part.name), []).append(part)
    for (kind, _), group in groups.items():
        # NOTE: a file has a $FILE_NAME for each of its names.
        for parts_of_one in [[part] for part in group] if kind == FILE_NAME_TYPE else [group]:
            yield _whole(volume, parts_of_one)


def _whole(volume: Examined, parts: list[Attribute]) -> Whole:
    parts.sort(key=lambda part: part.first_vcn)
    first, runs = parts[0], parts[0].runs
    if len(parts) > 1:
        runs = _joined(parts)
    if first.first_vcn or (len(parts) > 1 and first.value is not None):
        raise FaultyError(
            RUN_LIST, "first_vcn", first.first_vcn, say("one part from 0 on"), first.at
        )
    if first.value is not None:
        size = valid = len(first.value)
    else:
        size, valid = first.data_size, first.valid_size
        room = sum(count for count, _ in runs) * volume.sizes.cluster_bytes
        if first.allocated_size != room:
            raise FaultyError(
                ATTRIBUTE_NAME, "allocated_size", first.allocated_size, room, first.at
            )
    return Whole(first.type, first.name, first.flags, first.at, first.value, size, valid, runs)


def _joined(parts: list[Attribute]) -> tuple[Run, ...]:
    runs: list[Run] = []
    following = 0
    for part in parts:
        if part.value is not None or part.first_vcn != following:
            raise FaultyError(RUN_LIST, "first_vcn", part.first_vcn, following, part.at)
        following = part.last_vcn + 1
        runs += part.runs
    return tuple(runs)


def hold_list(
    volume: Examined, gathered: Gathered, listed: Whole, records: Iterable[FileRecord]
) -> None:
    """Hold the list of a file against the attributes that its records have.

    Raises:
        FaultyError: the list is not whole, names what is not there, or leaves something out.
    """
    there: set[Key] = {
        (record.number, part.type, part.name, part.first_vcn, part.id)
        for record in records
        for part in record.attributes
        if part.type != ATTRIBUTE_LIST_TYPE
    }
    for entry in list_entries(volume, listed):
        key = (entry.number, entry.type, entry.name, entry.first_vcn, entry.id)
        if key not in there or entry.sequence != gathered.sequence[entry.number]:
            stored = say("{type} in record {number}", type=f"{entry.type:X}", number=entry.number)
            raise FaultyError(
                LIST, say("entry"), stored, say("an attribute that is there"), listed.at
            )
        there.remove(key)
    if there:
        number, kind, *_ = min(there)
        wanted = say("one for {kind} in record {number} too", kind=f"{kind:X}", number=number)
        raise FaultyError(LIST, say("entries"), say("some"), wanted, listed.at)


def list_entries(volume: Examined, listed: Whole) -> list[Listed]:
    """Return the entries of an attribute list.

    Raises:
        FaultyError: one does not end inside, or the list cannot be read.
    """
    try:
        return list(attribute_list(volume.bytes_of(listed, _LONGEST_LIST), listed.at))
    except StructureError as error:
        raise FaultyError(LIST, error.field, error.got, error.expected, listed.at) from error
