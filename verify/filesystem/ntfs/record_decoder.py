"""NTFS file records, taken apart strictly: fix-ups, header, attributes, run lists, attribute lists.

Every field is held against the others before anything is reported, and no length is believed beyond
the bytes it stands in. What cannot be read as one raises `StructureError` with its place in the
volume, `PastEnd` or `SourceUnreadable`. No other code takes a record apart.

Sources: libfsntfs, NTFS format; the field tables are in `verify.structs.ntfs`.
"""

from __future__ import annotations

import struct
from codecs import utf_16_le_decode
from typing import TYPE_CHECKING, NamedTuple

from verify.errors import StructureError
from verify.structs.ntfs import (
    ATTRIBUTE,
    ATTRIBUTE_LIST_ENTRY,
    FILE_RECORD,
    FILE_SIGNATURE,
    INDEX_BLOCK,
    INDEX_SIGNATURE,
    NON_RESIDENT,
    RESIDENT,
)
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

ATTRIBUTE_LIST_TYPE = 0x20
DATA_TYPE = 0x80
END_TYPE = 0xFFFFFFFF

IN_USE_FLAG, FOLDER_FLAG = 1, 2
"""Flags of a record."""

SELF_NUMBERED_AT = 48
"""Where the update sequence begins in records that keep their own number (NTFS 3.1)."""

NUMBER, SEQUENCE_AT = (1 << 48) - 1, 48
"""A reference to a record holds its number, and from bit 48 on the number of its reuses."""

MOST_CLUSTERS = (1 << 32) - 1
"""NTFS has no more (Microsoft, 'NTFS overview')."""

STRIDE = 512
"""Bytes between two fix-ups."""

_STRIDES = frozenset({STRIDE, 1024, 2048, 4096})
STEP = 8
"""Attributes, their places and their lengths are multiples of 8 bytes."""

LONGEST_NUMBER = 8
"""Bytes of a number in a run list."""

_NO_VCN = (1 << 64) - 1
"""The last cluster of a stream that has none: -1."""

_WITH_FIXUPS = {FILE_SIGNATURE: FILE_RECORD.name, INDEX_SIGNATURE: INDEX_BLOCK.name}
_FIXUPS = FILE_RECORD.packed("signature", "fixup_offset", "fixup_count")
_HEAD = FILE_RECORD.packed(
    "fixup_offset",
    "fixup_count",
    "sequence",
    "links",
    "first_attribute",
    "flags",
    "used_bytes",
    "allocated_bytes",
    "base_record",
    "next_id",
    "number",
)
_TYPE = struct.Struct("<I")
_ATTRIBUTE = ATTRIBUTE.packed(
    "type", "length", "non_resident", "name_length", "name_offset", "flags", "identifier"
)
_RESIDENT = RESIDENT.packed("value_length", "value_offset")
_NON_RESIDENT = NON_RESIDENT.packed(
    "first_vcn", "last_vcn", "runs_offset", "allocated_size", "data_size", "valid_size"
)
_LISTED = ATTRIBUTE_LIST_ENTRY.packed(
    "type", "length", "name_length", "name_offset", "first_vcn", "file_reference", "identifier"
)

Run = tuple[int, int | None]
"""Clusters, and the first of them; `None` for a sparse run."""


class Attribute(NamedTuple):
    """One attribute: its value where it is resident, else its part of a stream.

    `at`: its first byte in the volume. Sizes are in bytes, and 0 where `first_vcn` is not.
    """

    type: int
    name: str
    value: bytes | None
    at: int
    flags: int
    id: int
    first_vcn: int = 0
    last_vcn: int = _NO_VCN
    allocated_size: int = 0
    data_size: int = 0
    valid_size: int = 0
    runs: tuple[Run, ...] = ()

    @property
    def named(self) -> bool:
        """Whether it has a name."""
        return bool(self.name)

    @property
    def size(self) -> int:
        """Bytes of the value, wherever it lies."""
        return self.data_size if self.value is None else len(self.value)


class FileRecord(NamedTuple):
    """A whole record. `at`: its first byte in the volume; `base`: a reference, 0 for none."""

    at: int
    number: int
    sequence: int
    links: int
    flags: int
    base: int
    next_id: int
    attributes: list[Attribute]

    @property
    def in_use(self) -> bool:
        """Whether it is that of a file or folder, or extends one."""
        return bool(self.flags & IN_USE_FLAG)

    @property
    def folder(self) -> bool:
        """Whether it is a folder's."""
        return bool(self.flags & FOLDER_FLAG)


class Listed(NamedTuple):
    """An entry of an attribute list: where an attribute, or a part of one, is kept."""

    type: int
    name: str
    first_vcn: int
    number: int
    sequence: int
    id: int


def repaired(data: bytes, at: int, signature: bytes = FILE_SIGNATURE) -> bytes:
    """Return a file record, or another structure with fix-ups, with these undone.

    SPEC: the last two bytes of each stride hold the update sequence number, and what stood there
    is kept in the update sequence (libfsntfs, 'The fix-up values').

    Raises:
        StructureError: it has another signature, or is torn: a stride does not end in the sequence
            number, so part of it was never written.
    """
    name = _WITH_FIXUPS.get(signature, "NTFS structure")
    if len(data) < FILE_RECORD.size:
        raise StructureError(
            name, at, say("length"), say("{least} or more", least=FILE_RECORD.size), str(len(data))
        )
    found, offset, count = _FIXUPS.unpack_from(data)
    if found != signature:
        raise StructureError(name, at, say("signature"), repr(signature.decode()), found.hex(" "))
    stride = len(data) // (count - 1) if count > 1 else 0
    # NOTE: strides are 512 bytes whatever the sector size; one sector each is accepted as well.
    if stride not in _STRIDES or stride * (count - 1) != len(data):
        raise StructureError(name, at, "fixup_count", say("one a stride"), str(count))
    if offset & 1 or offset + 2 * count > stride - 2:
        raise StructureError(name, at, "fixup_offset", say("in the first stride"), str(offset))
    number, begin = data[offset : offset + 2], 0
    parts: list[bytes] = []
    for end in range(stride, len(data) + 1, stride):
        if data[end - 2 : end] != number:
            raise StructureError(
                name, at + end - 2, "fix-up", say("the sequence number"), say("a torn write")
            )
        offset += 2
        parts += data[begin : end - 2], data[offset : offset + 2]
        begin = end
    return b"".join(parts)


def decoded_runs(data: bytes, at: int, clusters: int = MOST_CLUSTERS) -> tuple[Run, ...]:
    """Return a run list (libfsntfs, 'Data runs') up to its end mark.

    `clusters`: those of the volume.

    Raises:
        StructureError: a run without a length, one outside the volume, or no end mark.
    """
    runs: list[Run] = []
    position = cluster = 0
    total = len(data)
    number = int.from_bytes
    while position < total:
        head = data[position]
        if not head:
            return tuple(runs)
        middle = position + 1 + (head & 0xF)
        end = middle + (head >> 4)
        length = number(data[position + 1 : middle], "little")
        if end > total or not length or end - middle > LONGEST_NUMBER:
            raise StructureError(
                say("NTFS run list"), at, say("run"), say("a length"), data[position:][:17].hex()
            )
        if end > middle:
            cluster += number(data[middle:end], "little", signed=True)
            if cluster < 0 or cluster + length > clusters:
                got = say("{length} clusters from {cluster}", length=length, cluster=cluster)
                raise StructureError(
                    say("NTFS run list"),
                    at,
                    say("run"),
                    say("in 0 to {clusters}", clusters=clusters),
                    got,
                )
            runs.append((length, cluster))
        else:
            runs.append((length, None))
        position = end
    raise StructureError(say("NTFS run list"), at, say("end mark"), "00", say("none"))


def parsed(
    record: bytes, at: int, number: int | None = None, clusters: int = MOST_CLUSTERS
) -> FileRecord:
    """Return a repaired file record taken apart; `number`: the one it should have.

    Raises:
        StructureError: two of its fields contradict each other, or it is another one.
    """
    (
        fixups,
        count,
        sequence,
        links,
        first,
        flags,
        used,
        allocated,
        base,
        next_id,
        own,
    ) = _HEAD.unpack_from(record)
    if allocated != len(record):
        raise contradiction(at, "allocated_bytes", str(len(record)), allocated)
    if used > allocated or used % STEP:
        raise contradiction(
            at, "used_bytes", say("to {allocated} by {step}", allocated=allocated, step=STEP), used
        )
    if first % STEP or not fixups + 2 * count <= first < used:
        raise contradiction(at, "first_attribute", say("between fix-ups and end"), first)
    if fixups < SELF_NUMBERED_AT:
        own = number or 0
    elif number is not None and own != number & 0xFFFFFFFF:
        raise contradiction(at, "number", str(number), own)
    found = list(_attributes(record, at, first, used, clusters))
    return FileRecord(
        at, own if number is None else number, sequence, links, flags, base, next_id, found
    )


def attributes(record: bytes, at: int) -> list[Attribute]:
    """Return the attributes of a repaired file record, in order; errors as those of `parsed`."""
    return parsed(record, at).attributes


def contradiction(at: int, name: str, expected: str, got: int) -> StructureError:
    """Return what is said of a field of a record that cannot be right."""
    return StructureError(FILE_RECORD.name, at, name, expected, str(got))


def _attributes(
    record: bytes, at: int, position: int, used: int, clusters: int
) -> Iterator[Attribute]:
    """Yield the attributes from byte `position` on, which end with the used bytes."""
    last = 0
    head, resident, least = _ATTRIBUTE.unpack_from, _RESIDENT.unpack_from, RESIDENT.size
    while position + least <= used:
        kind, length, away, letters, name_at, flags, own = head(record, position)
        if kind == END_TYPE:
            break
        end = position + length
        if (
            length < least
            or length % STEP
            or end > used
            or away > 1
            or not last <= kind
            or not kind
        ):
            raise _no_attribute(at + position, kind, length, away, last)
        name = _name(record[position:end], name_at, letters, at + position) if letters else ""
        if away:
            yield _elsewhere(
                record[position:end], at + position, (kind, name, flags, own), clusters
            )
        else:
            size, start = resident(record, position)
            if start < least or start + size > length:
                raise StructureError(
                    RESIDENT.name,
                    at + position,
                    "value_length",
                    say("inside"),
                    say("{size} from {start}", size=size, start=start),
                )
            start += position
            yield Attribute(kind, name, record[start : start + size], at + position, flags, own)
        position, last = end, kind
    if position + STEP != used or _TYPE.unpack_from(record, position)[0] != END_TYPE:
        raise StructureError(
            ATTRIBUTE.name, at + position, say("end mark"), say("at the end"), say("none there")
        )


def _no_attribute(at: int, kind: int, length: int, away: int, last: int) -> StructureError:
    """Return what is wrong with an attribute's head."""
    if kind < last or not kind:
        return StructureError(
            ATTRIBUTE.name, at, "type", say("{last} or above", last=f"{last:#x}"), f"{kind:#x}"
        )
    if away > 1:
        return StructureError(ATTRIBUTE.name, at, "non_resident", say("0 or 1"), str(away))
    return StructureError(
        ATTRIBUTE.name, at, say("length"), say("inside, by {step}", step=STEP), str(length)
    )


def _name(data: bytes, start: int, letters: int, at: int) -> str:
    end = start + 2 * letters
    if start < ATTRIBUTE.size or end > len(data):
        got = say("{letters} letters from {start}", letters=letters, start=start)
        raise StructureError(ATTRIBUTE.name, at, "name_length", say("inside"), got)
    name, _ = utf_16_le_decode(data[start:end], "surrogatepass", True)  # noqa: FBT003
    return name


def _elsewhere(data: bytes, at: int, head: tuple[int, str, int, int], clusters: int) -> Attribute:
    """Return an attribute whose value lies in clusters of the volume."""
    if len(data) < NON_RESIDENT.size:
        raise StructureError(
            NON_RESIDENT.name, at, say("length"), say("64 or more"), str(len(data))
        )
    first, last, start, allocated, size, valid = _NON_RESIDENT.unpack_from(data)
    if start < NON_RESIDENT.size or start >= len(data):
        raise StructureError(NON_RESIDENT.name, at, "runs_offset", say("inside"), str(start))
    runs = decoded_runs(data[start:], at, clusters)
    held = sum(count for count, _ in runs)
    if first + held - 1 & _NO_VCN != last:
        raise StructureError(NON_RESIDENT.name, at, "last_vcn", str(first + held - 1), str(last))
    if first:
        return Attribute(head[0], head[1], None, at, head[2], head[3], first, last, 0, 0, 0, runs)
    if not valid <= size <= allocated:
        got = say("{valid}, {size}, {allocated}", valid=valid, size=size, allocated=allocated)
        raise StructureError(
            NON_RESIDENT.name, at, "sizes", say("valid, in use, allocated: rising"), got
        )
    return Attribute(
        head[0], head[1], None, at, head[2], head[3], 0, last, allocated, size, valid, runs
    )


def attribute_list(data: bytes, at: int) -> Iterator[Listed]:
    """Yield the entries of an attribute list.

    Raises:
        StructureError: they do not follow each other to its end.
    """
    position = 0
    while position < len(data):
        entry = data[position : position + ATTRIBUTE_LIST_ENTRY.size]
        if len(entry) < ATTRIBUTE_LIST_ENTRY.size:
            raise StructureError(
                ATTRIBUTE_LIST_ENTRY.name, at, say("length"), "26", str(len(entry))
            )
        kind, length, letters, start, first, reference, own = _LISTED.unpack(entry)
        end = position + length
        if length < ATTRIBUTE_LIST_ENTRY.size or length % STEP or end > len(data):
            raise StructureError(
                ATTRIBUTE_LIST_ENTRY.name, at, say("length"), say("inside"), str(length)
            )
        name = _name(data[position:end], start, letters, at) if letters else ""
        yield Listed(kind, name, first, reference & NUMBER, reference >> SEQUENCE_AT, own)
        position = end
