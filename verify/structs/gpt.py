"""The GUID partition table on disk.

Source: UEFI Specification 2.10, section 5.3, whose names these are.
"""

from __future__ import annotations

from uuid import UUID

from verify.structs.base import Field, Structure

SIGNATURE = b"EFI PART"
REVISION = 0x0001_0000
UNUSED_TYPE = bytes(16)
"""The partition type GUID of an entry that is not in use."""

MINIMUM_ARRAY_BYTES = 16_384
"""What must be kept free for an entry array at least (UEFI 2.10, section 5.3.1)."""

HEADER = Structure(
    "GPT header",
    "UEFI 2.10, section 5.3.2",
    92,
    (
        Field("Signature", 0, "8s", "'EFI PART'"),
        Field("Revision", 8, "I", "0x00010000"),
        Field("HeaderSize", 12, "I", "92 to the sector size"),
        Field("HeaderCRC32", 16, "I", "over HeaderSize bytes, this field taken as 0"),
        Field("Reserved", 20, "I", "0"),
        Field("MyLBA", 24, "Q", "where this header stands"),
        Field("AlternateLBA", 32, "Q", "where the other one stands"),
        Field("FirstUsableLBA", 40, "Q"),
        Field("LastUsableLBA", 48, "Q", "inclusive"),
        Field("DiskGUID", 56, "16s"),
        Field("PartitionEntryLBA", 72, "Q", "start of this header's entry array"),
        Field("NumberOfPartitionEntries", 80, "I"),
        Field("SizeOfPartitionEntry", 84, "I", "128 x 2^n"),
        Field("PartitionEntryArrayCRC32", 88, "I", "over all entries, used or not"),
    ),
)

HEADER_CRC_FIELD = slice(16, 20)
"""The bytes that count as zero in the header's own CRC."""

PARTITION_ENTRY = Structure(
    "GPT partition entry",
    "UEFI 2.10, section 5.3.3",
    128,
    (
        Field("PartitionTypeGUID", 0, "16s", "all zero: unused"),
        Field("UniquePartitionGUID", 16, "16s"),
        Field("StartingLBA", 32, "Q"),
        Field("EndingLBA", 40, "Q", "inclusive"),
        Field("Attributes", 48, "Q", "0-2 of UEFI, 48-63 of the type's owner"),
        Field("PartitionName", 56, "72s", "UTF-16LE, up to 36 units, ended by a zero"),
    ),
)


def guid_text(raw: bytes) -> str:
    """Write 16 stored bytes as a GUID, in upper case.

    The first three groups are stored little-endian, the last two as they are written (UEFI 2.10,
    appendix A).
    """
    return str(UUID(bytes_le=raw)).upper()
