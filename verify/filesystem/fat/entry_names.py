"""Marks and names of FAT entries: what is legal, and how a long name's parts belong together."""

from __future__ import annotations

from dataclasses import dataclass

END, DELETED, SPACE = 0x00, 0xE5, 0x20
VOLUME_LABEL, FOLDER, LONG_NAME, ATTRIBUTES = 0x08, 0x10, 0x0F, 0x3F
LAST_PART, MOST_PARTS = 0x40, 20

ILLEGAL = frozenset(b'"*+,./:;<=>?[\\]|') | (frozenset(range(0x20)) - {0x05})
"""Microsoft FAT 1.03, 'Short Directory Entries': bytes that no short name has."""


@dataclass(slots=True)
class LongName:
    """The parts of a long name that stand before a short entry: last part first."""

    parts: int = 0
    missing: int = 0
    checksum: int = 0

    def take(self, raw: bytes) -> bool:
        """Take the next part; `False` where it does not continue what came before."""
        order, begins = raw[0] & ~LAST_PART, bool(raw[0] & LAST_PART)
        if begins:
            continues = not self.parts and 0 < order <= MOST_PARTS
            self.missing, self.checksum = order - 1, raw[13]
        else:
            continues = self.parts > 0 and order == self.missing and raw[13] == self.checksum
            self.missing -= 1
        self.parts += 1
        return continues

    def fits(self, short: bytes) -> bool:
        """Whether all parts were there, and belong to this short name."""
        return not self.parts or (self.missing == 0 and self.checksum == short_checksum(short))


def short_checksum(short: bytes) -> int:
    """Return what the parts of a long name keep of its short one (FAT 1.03, 'Long Names')."""
    total = 0
    for byte in short:
        total = (total >> 1 | (total & 1) << 7) + byte & 0xFF
    return total
