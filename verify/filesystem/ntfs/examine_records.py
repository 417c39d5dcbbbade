"""One NTFS file record held against what a driver relies on beyond the bounds of its fields.

Sources: libfsntfs, NTFS format, for the fields, whose bounds `record_decoder` holds; ntfs-3g
(mft.c, attrib.c) for what a driver refuses to read. `examine_columns` passes what is regular in
every way by the thousand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.ntfs.examined_volume import BAD_CLUSTERS, FaultyError
from verify.filesystem.ntfs.marks import FILE_NAME_TYPE, STANDARD_TYPE
from verify.filesystem.ntfs.record_decoder import parsed, repaired
from verify.structs.ntfs import FILE_NAME, NON_RESIDENT, STANDARD_INFORMATION, VOLUME_INFORMATION
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.ntfs.examined_volume import Examined
    from verify.filesystem.ntfs.record_decoder import Attribute, FileRecord

RECORD, ATTRIBUTE_NAME, RUN_LIST = (
    say("NTFS file record"),
    say("NTFS attribute"),
    say("NTFS run list"),
)
VOLUME_INFORMATION_TYPE = 0x70
ROOT_TYPE, BLOCKS_TYPE, BITMAP_TYPE = 0x90, 0xA0, 0xB0
LAST_TYPE, FIRST_OF_OTHERS = 0x100, 0x1000
"""Types end here in the table that Windows and mkntfs write into $AttrDef; those of others follow.
"""

RESIDENT_TYPES = frozenset({STANDARD_TYPE, FILE_NAME_TYPE, 0x40, 0x60, 0x70, ROOT_TYPE})
"""Types that stand in their record: flag of $AttrDef; ntfs-3g, ntfs_attr_inconsistent."""

COMPRESSED, ENCRYPTED, SPARSE = 0x0001, 0x4000, 0x8000
KNOWN_FLAGS = COMPRESSED | ENCRYPTED | SPARSE
"""Flags of an attribute: libfsntfs, 'Attribute data flags'; no other is in use."""

UNIT = 4
"""A compression unit has 2^4 clusters: ntfs-3g, STANDARD_COMPRESSION_UNIT."""

STANDARD_SIZES = frozenset({48, 72})
"""Of NTFS 1.2 and of NTFS 3: libfsntfs, 'The standard information attribute'."""

_LEAST_VALUE = {
    FILE_NAME_TYPE: FILE_NAME.size,
    STANDARD_TYPE: STANDARD_INFORMATION.size + 4,
    0x40: 16,
    VOLUME_INFORMATION_TYPE: VOLUME_INFORMATION.size,
    ROOT_TYPE: 32,
}
_UNIT_AT = next(item.offset for item in NON_RESIDENT.fields if item.name == "compression_unit")
_LETTERS_AT = next(item.offset for item in FILE_NAME.fields if item.name == "length")


def examined_record(volume: Examined, number: int, data: bytes, at: int) -> FileRecord:
    """Return a record in use that was found at byte `at`.

    Raises:
        FaultyError: it is not whole, not the one, not in use, or an attribute is not as it must be.
    """
    try:
        whole = repaired(data, at)
        record = parsed(whole, at, number, volume.sizes.clusters)
    except StructureError as error:
        raise FaultyError(
            error.structure, error.field, error.got, error.expected, error.offset
        ) from error
    if not record.in_use:
        raise FaultyError(RECORD, "flags", f"{record.flags:04X}", say("in use"), at)
    for attribute in record.attributes:
        unit_at = attribute.at - at + _UNIT_AT
        _hold_attribute(attribute, number, int.from_bytes(whole[unit_at : unit_at + 2], "little"))
    return record


def _hold_attribute(attribute: Attribute, number: int, unit: int) -> None:
    kind, at, away, flags = attribute.type, attribute.at, attribute.value is None, attribute.flags
    if flags & ~KNOWN_FLAGS:
        raise FaultyError(ATTRIBUTE_NAME, "flags", f"{flags:04X}", say("known ones"), at)
    units = {UNIT} if flags & COMPRESSED else {0, UNIT} if flags & SPARSE else {0}
    if away and not attribute.first_vcn and unit not in units:
        raise FaultyError(ATTRIBUTE_NAME, "compression_unit", unit, max(units), at)
    if kind & 0xF or LAST_TYPE < kind < FIRST_OF_OTHERS:
        raise FaultyError(ATTRIBUTE_NAME, "type", f"{kind:X}", say("a known one"), at)
    if kind in RESIDENT_TYPES if away else kind == BLOCKS_TYPE:
        raise FaultyError(ATTRIBUTE_NAME, "non_resident", int(away), int(not away), at)
    if attribute.value is not None:
        _hold_value(kind, attribute.value, at)
    # NOTE: $BadClus has one hole as long as the volume, and is not marked sparse.
    holes = number == BAD_CLUSTERS or flags & (COMPRESSED | SPARSE)
    if not holes and any(start is None for _, start in attribute.runs):
        raise FaultyError(RUN_LIST, say("run"), say("a hole"), say("clusters"), at)


def _hold_value(kind: int, value: bytes, at: int) -> None:
    """Hold the length of a value that stands in its record."""
    size, least = len(value), _LEAST_VALUE.get(kind, 0)
    if size < least or (kind == STANDARD_TYPE and size not in STANDARD_SIZES):
        raise FaultyError(
            ATTRIBUTE_NAME, say("length of value {kind}", kind=f"{kind:X}"), size, least, at
        )
    if kind == FILE_NAME_TYPE:
        wanted = FILE_NAME.size + 2 * value[_LETTERS_AT]
        if not value[_LETTERS_AT] or wanted != size:
            raise FaultyError(
                "$FILE_NAME", say("length of name"), value[_LETTERS_AT], say("its own"), at
            )
