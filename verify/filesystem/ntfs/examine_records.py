"""One NTFS file record held against every bound that a driver relies on.

Sources: libfsntfs, NTFS format, for the fields; ntfs-3g (mft.c, attrib.c) for what a driver refuses
to read. `columns_examined` passes what is regular in every way by the thousand.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.ntfs.examined_volume import BAD_CLUSTERS, FaultyError, Part
from verify.filesystem.ntfs.marks import FILE_NAME_TYPE, STANDARD_TYPE
from verify.filesystem.ntfs.record_decoder import (
    END_TYPE,
    IN_USE_FLAG,
    SELF_NUMBERED_AT,
    decoded_runs,
    repaired,
)
from verify.structs.ntfs import (
    ATTRIBUTE,
    FILE_NAME,
    FILE_RECORD,
    FILE_SIGNATURE,
    NON_RESIDENT,
    RESIDENT,
    STANDARD_INFORMATION,
    VOLUME_INFORMATION,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.ntfs.examined_volume import Examined
    from verify.filesystem.ntfs.records import Run

_HEAD = FILE_RECORD.packed(
    "signature",
    "fixup_offset",
    "fixup_count",
    "sequence",
    "links",
    "first_attribute",
    "flags",
    "used_bytes",
    "allocated_bytes",
    "base_record",
    "number",
)
_ATTRIBUTE = ATTRIBUTE.packed(
    "type", "length", "non_resident", "name_length", "name_offset", "flags", "identifier"
)
_RESIDENT = RESIDENT.packed("value_length", "value_offset")
_RUNS = NON_RESIDENT.packed(
    "first_vcn", "last_vcn", "runs_offset", "allocated_size", "data_size", "valid_size"
)

RECORD, ATTRIBUTE_NAME, RUN_LIST = "file record", "attribute", "run list"
VOLUME_INFORMATION_TYPE = 0x70
ROOT_TYPE, BLOCKS_TYPE, BITMAP_TYPE = 0x90, 0xA0, 0xB0
LAST_TYPE = 0x100
"""Types end here in the table that Windows and mkntfs write into $AttrDef."""

RESIDENT_TYPES = frozenset({STANDARD_TYPE, FILE_NAME_TYPE, 0x40, 0x60, 0x70, ROOT_TYPE})
"""Types that stand in their record: flag of $AttrDef; ntfs-3g, ntfs_attr_inconsistent."""

COMPRESSED, ENCRYPTED, SPARSE = 0x00FF, 0x4000, 0x8000
STANDARD_SIZES = frozenset({48, 72})
"""Of NTFS 1.2 and of NTFS 3: libfsntfs, 'The standard information attribute'."""

_LEAST_VALUE = {
    FILE_NAME_TYPE: FILE_NAME.size,
    STANDARD_TYPE: STANDARD_INFORMATION.size + 4,
    0x40: 16,
    VOLUME_INFORMATION_TYPE: VOLUME_INFORMATION.size,
    ROOT_TYPE: 32,
}
_LETTERS_AT = next(item.offset for item in FILE_NAME.fields if item.name == "length")
_END_BYTES, _PADDED_END_BYTES = 4, 8
_FIXUPS_AT = 42
"""The update sequence begins no earlier: there ends the head of records before NTFS 3.1."""


class Head:
    """The head of a whole record, and its bytes with the fix-ups undone."""

    __slots__ = ("base", "data", "first", "flags", "links", "sequence", "used")

    def __init__(self, volume: Examined, number: int, data: bytes, at: int | None) -> None:
        """Take the head.

        Raises:
            FaultyError: the record is not whole, not the one, or not in use.
        """
        (
            signature,
            fixups,
            count,
            self.sequence,
            self.links,
            self.first,
            self.flags,
            self.used,
            allocated,
            self.base,
            itself,
        ) = _HEAD.unpack_from(data)
        size = volume.table.record_bytes
        own = itself if fixups >= SELF_NUMBERED_AT else number & 0xFFFFFFFF
        for name, stored, expected in (
            ("signature", signature.hex(" ").upper(), FILE_SIGNATURE.hex(" ").upper()),
            ("bytes allocated", allocated, size),
            ("number", own, number & 0xFFFFFFFF),
        ):
            if stored != expected:
                raise FaultyError(RECORD, name, stored, expected, at)
        if fixups < _FIXUPS_AT or fixups & 1:
            raise FaultyError(RECORD, "offset of update sequence", fixups, _FIXUPS_AT, at)
        try:
            self.data = repaired(data, at or 0)
        except StructureError:
            raise FaultyError(RECORD, "update sequence", "torn", "whole", at) from None
        after = fixups + 2 * count
        if not after <= self.first < self.used or self.first & 7:
            raise FaultyError(RECORD, "offset of attributes", self.first, f"{after} or more", at)
        if self.used > size or self.used & 7:
            raise FaultyError(RECORD, "bytes in use", self.used, f"at most {size}", at)
        if not self.flags & IN_USE_FLAG:
            raise FaultyError(RECORD, "flags", f"{self.flags:04X}", "in use", at)


def parts_of(volume: Examined, number: int, head: Head, at: int) -> Iterator[Part]:
    """Yield the attributes of a record that was found at byte `at`.

    Raises:
        FaultyError: one is not as it must be, or the record does not end after them.
    """
    data, position, last = head.data, head.first, 0
    while position + _END_BYTES <= head.used:
        if int.from_bytes(data[position : position + _END_BYTES], "little") == END_TYPE:
            if head.used != position + _PADDED_END_BYTES:
                raise FaultyError(
                    RECORD, "bytes in use", head.used, position + _PADDED_END_BYTES, at
                )
            return
        if position + RESIDENT.size > head.used:
            break
        part, length = _part(volume, number, data[position : head.used], at + position)
        if part.kind < last:
            raise FaultyError(
                ATTRIBUTE_NAME, "order of types", f"{part.kind:X}", f"{last:X} or more", part.at
            )
        last = part.kind
        yield part
        position += length
    raise FaultyError(RECORD, "end mark", "none", "one", at)


def _part(volume: Examined, number: int, data: bytes, at: int) -> tuple[Part, int]:
    """Return the attribute that `data` starts with, and its length."""
    kind, length, away, letters, name_at, flags, identifier = _ATTRIBUTE.unpack_from(data)
    least = NON_RESIDENT.size if away else RESIDENT.size
    if not least <= length <= len(data) or length & 7:
        raise FaultyError(ATTRIBUTE_NAME, "length", length, f"{least} to {len(data)}", at)
    if not kind or kind & 0xF or LAST_TYPE < kind < 0x1000:  # noqa: PLR2004 - user's types follow
        raise FaultyError(ATTRIBUTE_NAME, "type", f"{kind:X}", "a known one", at)
    if away > 1 or (away and kind in RESIDENT_TYPES) or (not away and kind == BLOCKS_TYPE):
        raise FaultyError(ATTRIBUTE_NAME, "non-resident flag", away, "as its type is stored", at)
    name = ""
    if letters:
        end = name_at + 2 * letters
        if name_at < least or end > length or name_at & 1:
            raise FaultyError(ATTRIBUTE_NAME, "name", f"{name_at} to {end}", "inside", at)
        name = data[name_at:end].decode("utf-16-le", "surrogatepass")
    common = (kind, name, identifier, flags, number, at)
    if away:
        return _away(volume, common, data[:length], name_at + 2 * letters if letters else 0), length
    size, start = _RESIDENT.unpack_from(data)
    if start < least or start + size > length or start & 7 or (letters and start < end):
        raise FaultyError(ATTRIBUTE_NAME, "value", f"{start} to {start + size}", "inside", at)
    value = data[start : start + size]
    _hold_value(kind, value, at)
    return Part(*common, value, size=size, valid=size), length


def _hold_value(kind: int, value: bytes, at: int) -> None:
    """Hold the length of a value that stands in its record."""
    size, least = len(value), _LEAST_VALUE.get(kind, 0)
    if size < least or (kind == STANDARD_TYPE and size not in STANDARD_SIZES):
        raise FaultyError(ATTRIBUTE_NAME, f"length of value {kind:X}", size, least, at)
    if kind == FILE_NAME_TYPE:
        wanted = FILE_NAME.size + 2 * value[_LETTERS_AT]
        if not value[_LETTERS_AT] or wanted != size:
            raise FaultyError("$FILE_NAME", "length of name", value[_LETTERS_AT], "its own", at)


def _away(
    volume: Examined, common: tuple[int, str, int, int, int, int], data: bytes, name_end: int
) -> Part:
    """Return an attribute whose value lies outside its record."""
    _, _, _, flags, number, at = common
    first, last, runs_at, allocated, size, valid = _RUNS.unpack_from(data)
    if not max(NON_RESIDENT.size, name_end) <= runs_at < len(data):
        raise FaultyError(ATTRIBUTE_NAME, "offset of runs", runs_at, "inside", at)
    try:
        runs = decoded_runs(data[runs_at:], at)
    except StructureError as error:
        raise FaultyError(RUN_LIST, error.field, error.got, error.expected, at) from error
    count = sum(length for length, _ in runs)
    # SPEC: the last cluster of an attribute without any is -1.
    if first + count != (last + 1) & 0xFFFFFFFFFFFFFFFF:
        raise FaultyError(RUN_LIST, "clusters", count, f"{first} to {last}", at)
    _hold_runs(volume, runs, at, holes=bool(flags & (COMPRESSED | SPARSE)), number=number)
    return Part(*common, None, (first, last), allocated, size, valid, runs)


def _hold_runs(
    volume: Examined, runs: tuple[Run, ...], at: int, *, holes: bool, number: int
) -> None:
    clusters = volume.sizes.clusters
    for length, start in runs:
        if start is None:
            # NOTE: $BadClus has one hole as long as the volume, and is not marked sparse.
            if not holes and number != BAD_CLUSTERS:
                raise FaultyError(RUN_LIST, "run", "a hole", "clusters", at)
        elif start + length > clusters:
            raise FaultyError(
                RUN_LIST, "run", f"{start} to {start + length}", f"below {clusters}", at
            )


def head_of(volume: Examined, number: int, data: bytes, at: int | None) -> Head:
    """Return the head of a record.

    Raises:
        FaultyError: the record is not whole, not the one, or not in use.
    """
    try:
        return Head(volume, number, data, at)
    except struct.error as error:
        raise FaultyError(RECORD, "length", len(data), volume.table.record_bytes, at) from error
