"""The master boot record and its partition records on disk.

Source: UEFI Specification 2.10, section 5.2, whose names these are. Extended boot records have
the same shape; their chain stands in no standard and is read as Linux does
(block/partitions/msdos.c).
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

BOOT_RECORD_BYTES = 512
"""It fills the first 512 bytes of its sector, whatever the sector's size."""

SIGNATURE = b"\x55\xaa"

PROTECTIVE_TYPE = 0xEE
"""The record that says: the drive has a GPT."""

EXTENDED_TYPES = frozenset({0x05, 0x0F, 0x85})
"""Containers of logical partitions: by CHS, by LBA, and Linux's own."""

ACTIVE = 0x80
BOOT_INDICATORS = frozenset({0x00, ACTIVE})

BOOT_RECORD = Structure(
    "master boot record",
    "UEFI 2.10, section 5.2.1",
    BOOT_RECORD_BYTES,
    (
        Field("BootStrapCode", 0, "440s", "x86 code of a BIOS start"),
        Field("UniqueMBRDiskSignature", 440, "I", "0 in a protective MBR"),
        Field("Unknown", 444, "H"),
        Field("PartitionRecord1", 446, "16s"),
        Field("PartitionRecord2", 462, "16s"),
        Field("PartitionRecord3", 478, "16s"),
        Field("PartitionRecord4", 494, "16s"),
        Field("Signature", 510, "2s", "55 AA"),
    ),
)

PARTITION_RECORD = Structure(
    "MBR partition record",
    "UEFI 2.10, section 5.2.1",
    16,
    (
        Field("BootIndicator", 0, "B", "0x80: the partition a BIOS starts; else 0x00"),
        Field("StartingCHS", 1, "3s", "not used with LBA"),
        Field("OSType", 4, "B", "0: the record is unused"),
        Field("EndingCHS", 5, "3s", "not used with LBA"),
        Field("StartingLBA", 8, "I", "counted from the record's own base"),
        Field("SizeInLBA", 12, "I", "sectors; 0: the record is unused"),
    ),
)
