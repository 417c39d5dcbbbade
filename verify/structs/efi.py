"""Start-up entries that a machine's firmware keeps, as the operating system hands them out.

Source: UEFI Specification 2.10, sections 3.1.3 (load options), 10.3.1 and 10.3.5 (device paths),
whose names these are.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

GLOBAL_VARIABLES = "8be4df61-93ca-11d2-aa0d-00e098032b8c"
"""EFI_GLOBAL_VARIABLE: the vendor of BootOrder, BootCurrent and Boot#### (section 3.3)."""

ACTIVE = 0x0000_0001
"""LOAD_OPTION_ACTIVE: the boot manager tries the entry by itself (section 3.1.3)."""

MEDIA_DEVICE_PATH, HARD_DRIVE, FILE_PATH = 0x04, 0x01, 0x04
"""Type of nodes about media, and two of its sub-types (sections 10.3.5.1 and 10.3.5.4)."""

END_OF_PATH = 0x7F
"""Type of the node that ends a device path (section 10.3.1)."""

GUID_SIGNATURE, MBR_SIGNATURE = 0x02, 0x01
"""SignatureType of a hard drive node: 16 bytes of GUID, or 4 of an MBR's signature."""

LOAD_OPTION = Structure(
    "EFI_LOAD_OPTION",
    "UEFI 2.10, section 3.1.3",
    6,
    (
        Field("Attributes", 0, "I", "bit 0: active"),
        Field("FilePathListLength", 4, "H", "bytes; the list follows Description"),
    ),
)
"""Its head: Description (UTF-16LE, ended by a zero), FilePathList and OptionalData follow."""

NODE = Structure(
    "EFI_DEVICE_PATH_PROTOCOL",
    "UEFI 2.10, section 10.2",
    4,
    (
        Field("Type", 0, "B"),
        Field("SubType", 1, "B"),
        Field("Length", 2, "H", "bytes, with these four"),
    ),
)

HARD_DRIVE_NODE = Structure(
    "Hard drive media device path",
    "UEFI 2.10, section 10.3.5.1",
    42,
    (
        Field("PartitionNumber", 4, "I"),
        Field("PartitionStart", 8, "Q", "LBA"),
        Field("PartitionSize", 16, "Q", "logical blocks"),
        Field("PartitionSignature", 24, "16s", "of SignatureType"),
        Field("PartitionFormat", 40, "B", "1 MBR, 2 GPT"),
        Field("SignatureType", 41, "B", "0 none, 1 MBR's 32 bits, 2 GUID"),
    ),
)
