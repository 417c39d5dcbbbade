"""The up-case table of an exFAT volume (section 7.2), and the hash of a name (section 7.6.4)."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_CHARACTERS = 65536
_IDENTITY_MARK = 0xFFFF
_ALL_ONES = 0xFFFFFFFF
_MANDATORY = 128
"""Section 7.2.5.1: the first 128 entries are always the same."""


@dataclass(frozen=True, slots=True)
class UpCase:
    """Which UTF-16 unit stands for which where case does not matter; others for themselves."""

    changes: Mapping[int, int]

    @property
    def table(self) -> NDArray[np.uint16]:
        """Return for every unit the one that stands for it."""
        table = np.arange(_CHARACTERS, dtype=np.uint16)
        table[list(self.changes)] = list(self.changes.values())
        return table

    def name_hash(self, name: bytes) -> int:
        """Return the hash of a name in UTF-16, as the stream extension keeps it."""
        total = 0
        for unit in struct.unpack(f"<{len(name) // 2}H", name):
            upper = self.changes.get(unit, unit)
            for byte in (upper & 0xFF, upper >> 8):
                total = ((total & 1) << 15 | total >> 1) + byte & 0xFFFF
        return total


def read_up_case(data: bytes) -> UpCase | None:
    """Return the table, unpacked; `None` where it is not as the format has it.

    A unit 0xFFFF before a number means: as many characters as that stand for themselves.
    """
    units = struct.unpack(f"<{len(data) // 2}H", data[: len(data) // 2 * 2])
    changes: dict[int, int] = {}
    character = position = 0
    while position < len(units) and character < _CHARACTERS:
        unit = units[position]
        if unit == _IDENTITY_MARK and position + 1 < len(units):
            character += units[position + 1]
            position += 2
            continue
        if unit != character:
            changes[character] = unit
        character += 1
        position += 1
    first = {number: changes.get(number, number) for number in range(_MANDATORY)}
    wanted = {number: ord(chr(number).upper()) for number in range(_MANDATORY)}
    if len(data) % 2 or character < _MANDATORY or character > _CHARACTERS or first != wanted:
        return None
    return UpCase(changes)


def table_checksum(data: bytes) -> int:
    """Return the checksum of an up-case table (section 7.2.2)."""
    total = 0
    for byte in data:
        total = ((total & 1) << 31 | total >> 1) + byte & _ALL_ONES
    return total
