"""NTFS security: descriptors, and the stream that keeps each of them once.

Sources: libfsntfs, NTFS format, 'The security descriptor stream'; [MS-DTYP] 2.4 for descriptors,
SIDs and access lists.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from blake3 import blake3

from verify.errors import StructureError
from verify.structs.ntfs import SECURITY_DESCRIPTOR, SECURITY_ENTRY
from verify.text.message import say

_DIGEST_DIGITS = 16
MIRROR_BYTES = 256 << 10
"""$SDS is written in pieces of this size, each followed by a copy of itself."""

_PROTECTED = 0x1000 | 0x2000
_MOST_DESCRIPTOR_BYTES = 64 << 10
_MOST_AUTHORITIES = 15
_DESCRIPTORS_KEPT = 1024
"""A volume has some dozens of different descriptors, and as many copies as files."""


@dataclass(frozen=True, slots=True)
class Security:
    """A descriptor in short: its owner's SID, its digest, ` protected` if it inherits nothing."""

    owner: str | None
    text: str


@lru_cache(_DESCRIPTORS_KEPT)
def descriptor(data: bytes) -> Security:
    """Return a self-relative descriptor in short.

    Two descriptors are alike where owner, group and both access lists are, wherever each of them
    stands in its bytes.

    Raises:
        StructureError: it runs past its end.
    """
    head = SECURITY_DESCRIPTOR.parse(data)
    owner = _sid(data, head.number("owner_offset"))
    parts = (
        owner,
        _sid(data, head.number("group_offset")),
        _access_list(data, head.number("sacl_offset")),
        _access_list(data, head.number("dacl_offset")),
    )
    hasher = blake3()
    for part in parts:
        hasher.update(len(part).to_bytes(4, "little") + part)
    digest = hasher.hexdigest()[:_DIGEST_DIGITS]
    protected = " protected" if head.number("control") & _PROTECTED else ""
    return Security(sid_text(owner) if owner else None, digest + protected)


def descriptors(stream: bytes) -> dict[int, Security]:
    """Return the descriptors of a $SDS stream by their identifiers; damaged ones are left out."""
    found: dict[int, Security] = {}
    position = 0
    while position + SECURITY_ENTRY.size <= len(stream):
        entry = SECURITY_ENTRY.parse(stream[position : position + SECURITY_ENTRY.size], position)
        size = entry.number("size")
        regular = SECURITY_ENTRY.size < size <= _MOST_DESCRIPTOR_BYTES
        if entry.number("offset") != position or not regular:
            position += 2 * MIRROR_BYTES - position % (2 * MIRROR_BYTES)
            continue
        try:
            own = stream[position + SECURITY_ENTRY.size : position + size]
            found.setdefault(entry.number("security_id"), descriptor(own))
        except StructureError:
            pass  # whoever names it finds it unresolved
        position += -(-size // 16) * 16
        if position % (2 * MIRROR_BYTES) >= MIRROR_BYTES:
            position += 2 * MIRROR_BYTES - position % (2 * MIRROR_BYTES)
    return found


def sid_text(sid: bytes) -> str:
    """Return a SID as it is written: `S-1-5-18` ([MS-DTYP] 2.4.2.1)."""
    authority = int.from_bytes(sid[2:8], "big")
    rest = (int.from_bytes(sid[at : at + 4], "little") for at in range(8, len(sid), 4))
    return "-".join(map(str, ("S", sid[0], authority, *rest)))


def _sid(data: bytes, offset: int) -> bytes:
    if not offset:
        return b""
    count = data[offset + 1] if offset + 1 < len(data) else _MOST_AUTHORITIES + 1
    end = offset + 8 + 4 * count
    if count > _MOST_AUTHORITIES or end > len(data):
        raise StructureError(SECURITY_DESCRIPTOR.name, 0, "SID", say("inside"), str(offset))
    return data[offset:end]


def _access_list(data: bytes, offset: int) -> bytes:
    """Return the entries of an access list as far as it is used ([MS-DTYP] 2.4.5)."""
    if not offset:
        return b""
    size = int.from_bytes(data[offset + 2 : offset + 4], "little")
    if size < 8 or offset + size > len(data):  # noqa: PLR2004 - its header's length
        raise StructureError(
            SECURITY_DESCRIPTOR.name, 0, say("access list"), say("inside"), str(offset)
        )
    count = int.from_bytes(data[offset + 4 : offset + 6], "little")
    position = offset + 8
    for _ in range(count):
        length = int.from_bytes(data[position + 2 : position + 4], "little")
        if length < 4 or position + length > offset + size:  # noqa: PLR2004 - its header's length
            raise StructureError(
                SECURITY_DESCRIPTOR.name, 0, say("entry"), say("inside"), str(position)
            )
        position += length
    return data[offset : offset + 2] + data[offset + 4 : position]
