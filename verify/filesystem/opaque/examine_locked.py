"""What the headers of encrypted volumes prove: LUKS and BitLocker."""

from __future__ import annotations

import hashlib
import json
import zlib
from typing import TYPE_CHECKING

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.examination import Examination, not_examined
from verify.filesystem.opaque.copies import Copies
from verify.structs import opaque as tables
from verify.text.message import joined, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.source.window import Window
    from verify.structs.base import Record

_SECTOR = 512
_LUKS2_SIZES = tuple(1 << power for power in range(14, 23))
"""SPEC: LUKS2 On-Disk Format 1.1.1, table 1: sizes of a header, and so places of the second one."""
_LUKS2_CSUM_AT, _CSUM_BYTES = 448, 64
_LUKS1_SLOTS, _LUKS1_SLOT_AT, _LUKS1_SLOT_BYTES = 8, 208, 48
_LUKS1_ACTIVE, _LUKS1_DISABLED = 0x00AC71F3, 0x0000DEAD
_BITLOCKER_SIZE_UNIT = 16
_MOST_BITLOCKER_BYTES = 1 << 20


def examine_luks(window: Window, _alive: Callable[[], None]) -> Examination:
    """Examine the headers of a LUKS volume, version 1 or 2."""
    copies = Copies(window, say("LUKS header"))
    head = copies.read(say("copy 1"), 0, tables.LUKS2.size)
    if head is not None and head.startswith(tables.LUKS_SIGNATURE) and head[6:8] == b"\0\1":
        return _luks1(copies, head)
    seen = []
    first = _luks2_size(head, tables.LUKS_SIGNATURE)
    if first is None and head is not None:
        copies.bad(
            say("copy 1"), "magic", head[:8].hex().upper(), say("LUKS version 2, a known size"), 0
        )
    else:
        seen.append(_luks2_copy(copies, say("copy 1"), 0, first or 0))
    second = first or _second_at(window)
    if second is None:
        copies.bad(say("copy 2"), "magic", say("not found"), say("SKUL version 2"), 0)
    else:
        seen.append(_luks2_copy(copies, say("copy 2"), second, second))
    numbers = [item for item in seen if item is not None]
    if len(set(numbers)) > 1:
        at = say("{least}, behind {most}", least=min(numbers), most=max(numbers))
        copies.bad(say("copy of the older one"), "seqid", at, say("the same"), 0)
    return copies.examination()


def _luks2_size(head: bytes | None, magic: bytes) -> int | None:
    if head is None or not head.startswith(magic):
        return None
    size = tables.LUKS2.parse(head).number("hdr_size")
    return size if head[6:8] == b"\0\2" and size in _LUKS2_SIZES else None


def _second_at(window: Window) -> int | None:
    """Return where a second header stands, wherever the first one would name it."""
    for at in _LUKS2_SIZES:
        if at + tables.LUKS2.size <= window.size_bytes:
            try:
                head = window.read(at, tables.LUKS2.size)
            except UNREADABLE:
                continue
            if _luks2_size(head, tables.LUKS2_SECOND_SIGNATURE) == at:
                return at
    return None


def _luks2_copy(copies: Copies, place: str, at: int, size: int) -> int | None:
    """Examine one header of version 2; return its sequence number where it is whole."""
    data = copies.read(place, at, size) if size else None
    if data is None:
        return None
    header = tables.LUKS2.parse(data)
    magic = tables.LUKS2_SECOND_SIGNATURE if at else tables.LUKS_SIGNATURE
    if header.raw("magic") != magic or header.number("hdr_offset") != at:
        stored = say(
            "{value} of byte {at}",
            value=header.raw("magic").hex().upper(),
            at=header.number("hdr_offset"),
        )
        copies.bad(
            place,
            "magic",
            stored,
            say("{value} of byte {at}", value=magic.hex().upper(), at=at),
            at,
        )
        return None
    name = header.raw("csum_alg").split(b"\0")[0].decode("ascii", "replace")
    if name not in hashlib.algorithms_guaranteed or name.startswith("shake"):
        copies.recorder.leave_out(
            say("LUKS header, {place}: its checksum ({name}) is not known", place=place, name=name)
        )
        return None
    blank = data[:_LUKS2_CSUM_AT] + bytes(_CSUM_BYTES) + data[_LUKS2_CSUM_AT + _CSUM_BYTES :]
    computed = hashlib.new(name, blank).digest()
    if not copies.checksum(place, header.raw("csum")[: len(computed)], computed, at):
        return None
    try:
        json.loads(data[tables.LUKS2.size :].split(b"\0")[0])
    except ValueError:
        copies.bad(place, say("JSON area"), say("no JSON"), "JSON", at)
        return None
    copies.good()
    return header.number("seqid")


def _luks1(copies: Copies, head: bytes) -> Examination:
    """Examine the one header of version 1: it has no checksum, and no copy."""
    window, whole = copies.window, True
    payload = int.from_bytes(head[104:108], "big") * _SECTOR
    if payload >= window.size_bytes:
        whole = False
        copies.bad(
            say("copy 1"),
            "payload-offset",
            str(payload),
            say("below {most}", most=window.size_bytes),
            104,
        )
    active = 0
    for slot in range(_LUKS1_SLOTS):
        at = _LUKS1_SLOT_AT + slot * _LUKS1_SLOT_BYTES
        state = int.from_bytes(head[at : at + 4], "big")
        copies.recorder.compared()
        active += state == _LUKS1_ACTIVE
        if state not in {_LUKS1_ACTIVE, _LUKS1_DISABLED}:
            whole = False
            copies.bad(
                say("copy 1"),
                say("key slot {slot}", slot=slot),
                f"{state:08X}",
                say("active or disabled"),
                at,
            )
    if not active:
        whole = False
        copies.bad(
            say("copy 1"),
            say("key slots"),
            say("none is active"),
            say("one at least"),
            _LUKS1_SLOT_AT,
        )
    if whole:
        copies.good()
    return copies.examination()


def examine_bitlocker(window: Window, _alive: Callable[[], None]) -> Examination:
    """Examine BitLocker's boot sector and its three blocks of metadata."""
    copies = Copies(window, say("FVE metadata block"))
    head = copies.read(say("boot sector"), 0, _SECTOR)
    if head is None:
        return copies.examination()
    boot = tables.BITLOCKER_BOOT_SECTOR.parse(head)
    known = (tables.BITLOCKER_FIXED, tables.BITLOCKER_USED_SPACE_ONLY)
    if boot.raw("identifier") in known:
        offsets = _three(head, 176)
    elif boot.raw("removable_identifier") in known:
        offsets = _three(head, 440)
    else:
        return not_examined(say("BitLocker of Windows Vista keeps its metadata in another form"))
    seen: dict[bytes, str] = {}
    for number, at in enumerate(offsets, 1):
        block = _bitlocker_block(copies, say("copy {number}", number=number), at, offsets)
        if block is not None:
            seen.setdefault(block, say("copy {number}", number=number))
    if len(seen) > 1:
        places = joined(seen.values())
        copies.bad(
            say("all copies"),
            say("contents"),
            say("differ ({places})", places=places),
            say("the same in all"),
            offsets[0],
        )
    return copies.examination()


def _three(data: bytes, at: int) -> tuple[int, int, int]:
    first, second, third = (int.from_bytes(data[at + n : at + n + 8], "little") for n in (0, 8, 16))
    return first, second, third


def _bitlocker_block(
    copies: Copies, place: str, at: int, offsets: tuple[int, int, int]
) -> bytes | None:
    """Return a block's contents where its checksum is right."""
    head = copies.read(place, at, tables.BITLOCKER_METADATA.size)
    if head is None:
        return None
    header: Record = tables.BITLOCKER_METADATA.parse(head)
    if header.raw("signature") != tables.BITLOCKER_SIGNATURE:
        stored = header.raw("signature").hex().upper()
        copies.bad(place, say("signature"), stored, tables.BITLOCKER_SIGNATURE.hex().upper(), at)
        return None
    if _three(head, 32) != offsets:
        copies.bad(place, "offsets", str(_three(head, 32)), str(offsets), at)
        return None
    unit = _BITLOCKER_SIZE_UNIT if header.number("version") > 1 else 1
    length = int.from_bytes(head[8:10], "little") * unit
    data = copies.read(place, at, min(length, _MOST_BITLOCKER_BYTES) + 8)
    if data is None:
        return None
    stored_crc = int.from_bytes(data[length + 4 : length + 8], "little")
    if not copies.checksum(place, stored_crc, zlib.crc32(data[:length]), at):
        return None
    copies.good()
    return data[:length]
