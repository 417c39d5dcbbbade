"""The two tables that every NTFS volume carries: of attributes, and of upper case.

Sources: libfsntfs, NTFS format, '$AttrDef' and '$UpCase'; the defaults are those of every volume
that Windows (7 to 10) or mkntfs (2022) wrote and that was seen.
"""

from __future__ import annotations

import struct
import unicodedata
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from blake3 import blake3

from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examined_volume import (
    ATTRIBUTE_TABLE,
    SYSTEM_NAMES,
    UPPER_CASE,
    FaultyError,
    system_fault,
)
from verify.text.message import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from verify.filesystem.ntfs.examined_volume import Examined, Whole

_ROW_BYTES, _NAME_BYTES = 160, 128
_ROW = struct.Struct("<IIIIQQ")
_NO_LIMIT = (1 << 64) - 1

_ROWS: tuple[tuple[str, int, int, int, int], ...] = (
    ("$STANDARD_INFORMATION", 0x10, 0x40, 48, 72),
    ("$ATTRIBUTE_LIST", 0x20, 0x80, 0, _NO_LIMIT),
    ("$FILE_NAME", 0x30, 0x42, 68, 578),
    ("$OBJECT_ID", 0x40, 0x40, 0, 256),
    ("$SECURITY_DESCRIPTOR", 0x50, 0x80, 0, _NO_LIMIT),
    ("$VOLUME_NAME", 0x60, 0x40, 2, 256),
    ("$VOLUME_INFORMATION", 0x70, 0x40, 12, 12),
    ("$DATA", 0x80, 0, 0, _NO_LIMIT),
    ("$INDEX_ROOT", 0x90, 0x40, 0, _NO_LIMIT),
    ("$INDEX_ALLOCATION", 0xA0, 0x80, 0, _NO_LIMIT),
    ("$BITMAP", 0xB0, 0x80, 0, _NO_LIMIT),
    ("$REPARSE_POINT", 0xC0, 0x80, 0, 16384),
    ("$EA_INFORMATION", 0xD0, 0x40, 8, 8),
    ("$EA", 0xE0, 0, 0, 65536),
    ("$LOGGED_UTILITY_STREAM", 0x100, 0x80, 0, 65536),
)
"""Name, type, flags (2 indexed, 0x40 in its record, 0x80 maybe outside), least and most bytes."""

_OLD_ROWS_FROM = 2560
"""Bytes of the default; volumes before NTFS 3.0 have a longer table, with other limits."""

UPPER_BYTES = 128 << 10
_LAST_ASCII = 0x7E
_KNOWN = frozenset(
    {
        "fcaa14f22f4ba8ebf401c652121a217ac0d85f09c26bbe0301e4060cdc7b5703",
        "fcd0adf2a449f99d0dfe52c6917d82a576e228c9987247dfee64bcc33a63dc71",
    }
)
"""BLAKE3 of the tables that are known: of Windows 7 to 10 and today's mkntfs; of an older mkntfs.
"""

_CRC_AT, _CRC_POLYNOMIAL = 8, 0x9A6C9329AC4BC9B5
"""$Info keeps a CRC-64 (ECMA-182, reflected) of the table from its byte 8 on: ntfs-3g, mkntfs.c."""

_NEVER_UPPER = frozenset(
    {
        *(0xB5, 0x131, 0x17F, 0x1C4, 0x1C5, 0x1C7, 0x1C8, 0x1CA, 0x1CB, 0x1F1, 0x1F2, 0x250),
        *(0x251, 0x252, 0x25C, 0x261, 0x265, 0x266, 0x26A, 0x26C, 0x271, 0x282, 0x287, 0x29D),
        *(0x29E, 0x345, 0x3C2, 0x3D0, 0x3D1, 0x3D5, 0x3D6, 0x3D7, 0x3F0, 0x3F1, 0x3F3, 0x3F5),
        *range(0x10D0, 0x10F9),
        *(0x1E9B, 0x1FBE, 0x1FC3, 0x1FF3),
    }
)
"""Letters of Unicode 3.2 that have an upper case today, and none in a known table."""


def hold_attribute_table(volume: Examined, whole: Whole | None) -> None:
    """Hold $AttrDef against the default; without a row a driver makes no such attribute.

    Raises:
        FaultyError: it cannot be read.
    """
    if whole is None:
        return
    table = volume.bytes_of(whole)
    stored = {}
    for at in range(0, len(table) - _ROW_BYTES + 1, _ROW_BYTES):
        kind, display, collation, flags, least, most = _ROW.unpack_from(table, at + _NAME_BYTES)
        name = table[at : at + _NAME_BYTES].decode("utf-16-le", "replace").partition("\0")[0]
        if name:
            stored[name] = kind, display, collation, flags, least, most
    default = len(table) == _OLD_ROWS_FROM
    for name, kind, flags, least, most in _ROWS:
        volume.structure.compared()
        row = stored.pop(name, None)
        if row is None and not default:
            continue  # an older table has other rows
        if row is None or row[0] != kind:
            system_fault(
                volume,
                ATTRIBUTE_TABLE,
                say("row {name}", name=name),
                say("none") if row is None else f"{row[0]:X}",
                f"{kind:X}",
            )
        elif default and row[1:] != (0, 0, flags, least, most):
            system_fault(
                volume,
                ATTRIBUTE_TABLE,
                say("row {name}", name=name),
                say("flags and limits {values}", values=str(row[1:])),
                (0, 0, flags, least, most),
                Effect.REPAIRED,
            )
    if default and stored:
        names = ", ".join(sorted(stored))
        system_fault(
            volume, ATTRIBUTE_TABLE, say("rows"), names, say("none other"), Effect.REPAIRED
        )


def upper_case_of(
    volume: Examined, whole: Whole | None, information: Whole | None
) -> NDArray[np.uint16]:
    """Return the volume's table of upper case; a neutral one where it has none that is whole."""
    neutral = np.arange(1 << 16, dtype=np.uint16)
    if whole is None:
        return neutral
    try:
        data = volume.bytes_of(whole)
    except FaultyError as error:
        volume.faulty(error, Effect.REFUSED, SYSTEM_NAMES[UPPER_CASE], UPPER_CASE)
        return neutral
    volume.structure.compared()
    if len(data) != UPPER_BYTES:
        system_fault(volume, UPPER_CASE, say("size"), len(data), UPPER_BYTES)
        return neutral
    table = np.frombuffer(data, "<u2").astype(np.uint16)
    if blake3(data).hexdigest() not in _KNOWN:
        _hold_unknown(volume, data, table, information)
    return table


def _hold_unknown(
    volume: Examined, data: bytes, table: NDArray[np.uint16], information: Whole | None
) -> None:
    """Hold a table that is no known one: by its own checksum, else by Unicode's letters."""
    wrong = _implausible(table)
    checked = information is not None and information.value is not None
    if checked and information is not None and information.value is not None:
        stored = int.from_bytes(information.value[_CRC_AT : _CRC_AT + 8], "little")
        if stored == _crc64(data) and not (wrong and wrong[0] <= _LAST_ASCII):
            return
    if not wrong and not checked:
        return
    shown = ", ".join(f"{letter:04X}: {int(table[letter]):04X}" for letter in wrong[:4])
    system_fault(
        volume,
        UPPER_CASE,
        say("letters"),
        shown or say("another checksum"),
        say("those of the default"),
        Effect.REFUSED if wrong and wrong[0] <= _LAST_ASCII else Effect.REPAIRED,
    )


def _implausible(table: NDArray[np.uint16]) -> list[int]:
    """Return the letters whose upper case is not Unicode's, nor their own as in older tables."""
    wanted, optional = _upper_case_letters()
    letters = np.arange(1 << 16, dtype=np.uint16)
    good = (table == wanted) | (optional & (table == letters))
    found: list[int] = np.nonzero(~good)[0].tolist()
    return found


@cache
def _upper_case_letters() -> tuple[NDArray[np.uint16], NDArray[np.bool_]]:
    """Return each letter's upper case by Unicode, and which of them a table may lack."""
    wanted = np.arange(1 << 16, dtype=np.uint16)
    optional = np.ones(1 << 16, np.bool_)
    for letter in range(1 << 16):
        text = chr(letter)
        # NOTE: letters whose upper case is two letters have a title case that is one.
        for upper in (text.upper(), text.title()):
            if len(upper) == 1 and upper != text and ord(upper) <= 0xFFFF:  # noqa: PLR2004
                wanted[letter] = ord(upper)
                old = unicodedata.ucd_3_2_0.category(text) != "Cn"
                optional[letter] = letter in _NEVER_UPPER or not old
                break
    return wanted, optional


def _crc64(data: bytes) -> int:
    rows = []
    for value in range(256):
        row = value
        for _ in range(8):
            row = row >> 1 ^ (_CRC_POLYNOMIAL if row & 1 else 0)
        rows.append(row)
    crc = _NO_LIMIT
    for byte in data:
        crc = rows[(crc ^ byte) & 0xFF] ^ crc >> 8
    return crc ^ _NO_LIMIT
