"""Kinds and flags of exFAT's directory entries (exFAT file system specification 1.00, 6 and 7)."""

from __future__ import annotations

END, IN_USE, SECONDARY, BENIGN = 0x00, 0x80, 0x40, 0x20
BITMAP, UP_CASE, LABEL, FILE, STREAM, NAME = 0x81, 0x82, 0x83, 0x85, 0xC0, 0xC1
KNOWN_BENIGN = frozenset({0xA0, 0xA1})
"""Volume GUID (7.5) and TexFAT padding (7.10)."""

FOLDER_ATTRIBUTE, ALLOCATION_POSSIBLE, NO_FAT_CHAIN = 0x10, 0x01, 0x02
SECONDARY_COUNTS = range(2, 19)
UNITS_PER_NAME = 15
MOST_LABEL_UNITS = 11
BAD_CLUSTER = 0xFFFFFFF7
"""Section 4.1: the entry of a bad cluster in the FAT."""

ILLEGAL = frozenset(range(0x20)) | frozenset(map(ord, '"*/:<>?\\|'))
"""Section 7.7.3.1: characters that no name has."""
