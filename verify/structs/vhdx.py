"""Virtual hard disk v2 files (VHDX) on disk.

Source: [MS-VHDX] Virtual Hard Disk v2 (VHDX) File Format, whose names these are.
"""

from __future__ import annotations

from uuid import UUID

from verify.structs.base import Field, Structure

MIB = 1 << 20
SIGNATURE = b"vhdxfile"
HEADER_OFFSETS = (64 << 10, 128 << 10)
HEADER_BYTES = 4 << 10
REGION_TABLE_OFFSETS = (192 << 10, 256 << 10)
REGION_TABLE_BYTES = 64 << 10
CHECKSUM_FIELD = slice(4, 8)
"""Of a header and of a region table: these bytes count as zero in their CRC-32C."""

MOST_ENTRIES = 2047
"""Of a region table and of a metadata table (sections 2.2.3.1 and 2.6.1.1)."""

SMALLEST_BLOCK, LARGEST_BLOCK = 1 << 20, 256 << 20
LARGEST_DISK = 64 << 40
SECTORS_PER_BITMAP_BLOCK = 1 << 23
"""Sectors that one sector bitmap block speaks for: the chunk ratio is worked out from it."""

HEADER = Structure(
    "VHDX header",
    "MS-VHDX 2.2.2",
    80,
    (
        Field("Signature", 0, "4s", "'head'"),
        Field("Checksum", 4, "I", "CRC-32C over 4 KiB, this field taken as 0"),
        Field("SequenceNumber", 8, "Q", "the valid header with the greater one is current"),
        Field("FileWriteGuid", 16, "16s"),
        Field("DataWriteGuid", 32, "16s"),
        Field("LogGuid", 48, "16s", "zero: the log holds nothing to be applied"),
        Field("LogVersion", 64, "H", "0"),
        Field("Version", 66, "H", "1"),
        Field("LogLength", 68, "I", "bytes, a multiple of 1 MiB"),
        Field("LogOffset", 72, "Q", "a multiple of 1 MiB"),
    ),
)

REGION_TABLE = Structure(
    "VHDX region table",
    "MS-VHDX 2.2.3.1",
    16,
    (
        Field("Signature", 0, "4s", "'regi'"),
        Field("Checksum", 4, "I", "CRC-32C over 64 KiB, this field taken as 0"),
        Field("EntryCount", 8, "I", "2,047 at most"),
    ),
)

REGION_ENTRY = Structure(
    "VHDX region table entry",
    "MS-VHDX 2.2.3.2",
    32,
    (
        Field("Guid", 0, "16s"),
        Field("FileOffset", 16, "Q", "a multiple of 1 MiB"),
        Field("Length", 24, "I", "a multiple of 1 MiB"),
        Field("Required", 28, "I", "bit 0: who does not know the region must not open the file"),
    ),
)

METADATA_TABLE = Structure(
    "VHDX metadata table",
    "MS-VHDX 2.6.1.1",
    32,
    (
        Field("Signature", 0, "8s", "'metadata'"),
        Field("EntryCount", 10, "H", "2,047 at most"),
    ),
)

METADATA_ENTRY = Structure(
    "VHDX metadata table entry",
    "MS-VHDX 2.6.1.2",
    32,
    (
        Field("ItemId", 0, "16s"),
        Field("Offset", 16, "I", "from the start of the region, 64 KiB at least"),
        Field("Length", 20, "I"),
        Field("Flags", 24, "I", "bit 2: who does not know the item must not open the file"),
    ),
)

FILE_PARAMETERS = Structure(
    "VHDX file parameters",
    "MS-VHDX 2.6.2.1",
    8,
    (
        Field("BlockSize", 0, "I", "a power of two, 1 MiB to 256 MiB"),
        Field("Flags", 4, "I", "bit 0 blocks stay allocated (fixed), bit 1 has a parent"),
    ),
)
HAS_PARENT, STAYS_ALLOCATED = 2, 1

BAT_REGION = UUID("2DC27766-F623-4200-9D64-115E9BFD4A08").bytes_le
METADATA_REGION = UUID("8B7CA206-4790-4B9A-B8FE-575F050F886E").bytes_le

FILE_PARAMETERS_ITEM = UUID("CAA16737-FA36-4D43-B3B6-33F0AA44E76B").bytes_le
DISK_SIZE_ITEM = UUID("2FA54224-CD1B-4876-B211-5DBED83BF4B8").bytes_le
DISK_ID_ITEM = UUID("BECA12AB-B2E6-4523-93EF-C309E000C746").bytes_le
LOGICAL_SECTOR_ITEM = UUID("8141BF1D-A96F-4709-BA47-F233A8FAAB5F").bytes_le
PHYSICAL_SECTOR_ITEM = UUID("CDA348C7-445D-4471-9CC9-E9885251C556").bytes_le
PARENT_LOCATOR_ITEM = UUID("A8D35F2D-B30B-454D-ABF7-D3D84834AB0C").bytes_le

# Block allocation table entries, MS-VHDX 2.5.1: state in bits 0-2, place in MiB in bits 20-63.
NOT_PRESENT, UNDEFINED, ZERO, UNMAPPED, FULLY_PRESENT, PARTIALLY_PRESENT = 0, 1, 2, 3, 6, 7
STATE_MASK, RESERVED_MASK, PLACE_SHIFT = 0x7, 0xFFFF8, 20
