"""The header of a WIM image: what a recovery environment is kept in.

Source: Microsoft's white paper "Windows Imaging File Format (WIM)", from memory; held by a test
against an image that an unrelated archiver wrote.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

SIGNATURE = b"MSWIM\0\0\0"

_RESOURCES = (
    ("resource_table", 48),
    ("xml_data", 72),
    ("boot_metadata", 96),
    ("integrity_table", 124),
)

HEADER = Structure(
    name="WIM header",
    source='Microsoft, "Windows Imaging File Format (WIM)" white paper, from memory',
    size=208,
    fields=(
        Field("signature", 0, "8s", "MSWIM and three zero bytes"),
        Field("header_bytes", 8, "I", "208"),
        Field("version", 12, "I", "0x00010D00; 0x00000E00 for solid images"),
        Field("flags", 16, "I", "see FLAGS"),
        Field("chunk_bytes", 20, "I", "of a compressed chunk"),
        Field("guid", 24, "16s", "the same in all parts of a split image"),
        Field("part_number", 40, "H", "from 1"),
        Field("total_parts", 42, "H"),
        Field("image_count", 44, "I"),
        # NOTE: each of these is 24 bytes: size in 56 bits and flags in 8, offset, original size.
        *(
            field
            for name, offset in _RESOURCES
            for field in (
                Field(f"{name}_size_and_flags", offset, "Q"),
                Field(f"{name}_offset", offset + 8, "Q"),
                Field(f"{name}_original_bytes", offset + 16, "Q"),
            )
        ),
        Field("boot_index", 120, "I", "which image starts, from 1; 0: none"),
    ),
)

RESOURCE_SIZE_MASK = (1 << 56) - 1
FLAGS_SHIFT = 56
RESOURCE_COMPRESSED = 0x04
RESOURCE_SOLID = 0x10

RESOURCE_ROW = Structure(
    name="WIM resource table row",
    source='Microsoft, "Windows Imaging File Format (WIM)" white paper, from memory',
    size=50,
    fields=(
        Field("size_and_flags", 0, "Q", "size in 56 bits and flags in 8"),
        Field("offset", 8, "Q", "from the start of the file"),
        Field("original_bytes", 16, "Q"),
        Field("part_number", 24, "H", "of a split image"),
        Field("references", 26, "I"),
        Field("hash", 30, "20s", "SHA-1 of the contents"),
    ),
)

FLAG_WRITE_IN_PROGRESS = 0x40
"""The image was being written and was not finished."""
