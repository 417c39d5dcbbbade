"""Virtual hard disk files (VHD) on disk.

Source: Virtual Hard Disk Image Format Specification, version 1.0 (Microsoft, 2006), whose names
these are.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

COOKIE = b"conectix"
DYNAMIC_COOKIE = b"cxsparse"
VERSION = 0x0001_0000
SECTOR_BYTES = 512
NOWHERE = (1 << 64) - 1
"""Data Offset of a fixed disk, and of a dynamic disk header: nothing follows."""

FIXED, DYNAMIC, DIFFERENCING = 2, 3, 4
UNUSED = 0xFFFF_FFFF
"""A block allocation table entry of a block that was never written."""

MOST_CYLINDERS = (65_535, 16, 255)
"""The largest geometry: what a disk above 127 GiB has, whatever its size (appendix, CHS)."""

FOOTER = Structure(
    "VHD footer",
    "VHD 1.0, Hard Disk Footer Format",
    512,
    (
        Field("Cookie", 0, "8s", "'conectix'"),
        Field("Features", 8, "I", "bit 0 temporary, bit 1 always set"),
        Field("FileFormatVersion", 12, "I", "0x00010000"),
        Field("DataOffset", 16, "Q", "of the dynamic disk header; all ones in a fixed disk"),
        Field("TimeStamp", 24, "I", "seconds since 2000"),
        Field("CreatorApplication", 28, "4s"),
        Field("CreatorVersion", 32, "I"),
        Field("CreatorHostOS", 36, "4s"),
        Field("OriginalSize", 40, "Q", "bytes, when it was made"),
        Field("CurrentSize", 48, "Q", "bytes, as the machine sees the disk"),
        Field("Cylinders", 56, "H"),
        Field("Heads", 58, "B"),
        Field("SectorsPerTrack", 59, "B"),
        Field("DiskType", 60, "I", "2 fixed, 3 dynamic, 4 differencing"),
        Field("Checksum", 64, "I", "ones' complement of the sum of all bytes but these"),
        Field("UniqueId", 68, "16s"),
        Field("SavedState", 84, "B", "1: the machine is in saved state"),
    ),
    order=">",
)

DYNAMIC_HEADER = Structure(
    "VHD dynamic disk header",
    "VHD 1.0, Dynamic Disk Header Format",
    1024,
    (
        Field("Cookie", 0, "8s", "'cxsparse'"),
        Field("DataOffset", 8, "Q", "all ones"),
        Field("TableOffset", 16, "Q", "of the block allocation table"),
        Field("HeaderVersion", 24, "I", "0x00010000"),
        Field("MaxTableEntries", 28, "I"),
        Field("BlockSize", 32, "I", "bytes of data in a block, without its bitmap"),
        Field("Checksum", 36, "I", "as in the footer"),
        Field("ParentUniqueID", 40, "16s", "of a differencing disk"),
    ),
    order=">",
)

CHECKSUM_FIELDS = {FOOTER.name: slice(64, 68), DYNAMIC_HEADER.name: slice(36, 40)}
"""The bytes that each checksum leaves out: its own."""
