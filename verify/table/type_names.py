"""What partition types are called; an unknown type has no name and is no fault.

Sources: UEFI Specification 2.10 sections 5.2.2 and 5.3.3; Microsoft Learn, "Disk Partition Types"
and "PARTITION_INFORMATION_GPT structure"; util-linux, `include/pt-mbr-partnames.h` and
`include/pt-gpt-partnames.h`.
"""

from __future__ import annotations

MBR_TYPE_NAMES = {
    0x01: "FAT12",
    0x04: "FAT16 below 32 MB",
    0x05: "Extended",
    0x06: "FAT16",
    0x07: "NTFS, exFAT or HPFS",
    0x0B: "FAT32",
    0x0C: "FAT32 (LBA)",
    0x0E: "FAT16 (LBA)",
    0x0F: "Extended (LBA)",
    0x12: "OEM diagnostics",
    0x17: "Hidden NTFS, exFAT or HPFS",
    0x27: "Hidden NTFS (Windows recovery)",
    0x42: "Dynamic disk (LDM)",
    0x82: "Linux swap",
    0x83: "Linux",
    0x84: "Hibernation",
    0x85: "Linux extended",
    0x8E: "Linux LVM",
    0xA5: "FreeBSD",
    0xDE: "OEM utility",
    0xEE: "GPT protective",
    0xEF: "EFI system",
    0xFD: "Linux RAID",
}
"""Names of the OSType byte."""

GPT_TYPE_NAMES = {
    "C12A7328-F81F-11D2-BA4B-00A0C93EC93B": "EFI system",
    "024DEE41-33E7-11D3-9D69-0008C781F39F": "MBR partition scheme",
    "21686148-6449-6E6F-744E-656564454649": "BIOS boot",
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE": "Microsoft reserved",
    "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7": "Microsoft basic data",
    "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC": "Windows recovery",
    "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3": "LDM metadata",
    "AF9B60A0-1431-4F62-BC68-3311714A69AD": "LDM data",
    "E75CAF8F-F680-4CEE-AFA3-B001E56EFC2D": "Microsoft storage spaces",
    "0FC63DAF-8483-4772-8E79-3D69D8477DE4": "Linux filesystem",
    "4F68BCE3-E8CD-4DB1-96E7-FBCAF984B709": "Linux root (x86-64)",
    "933AC7E1-2EB4-4F13-B844-0E14E2AEF915": "Linux home",
    "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F": "Linux swap",
    "A19D880F-05FC-4D3B-A006-743F0F84911E": "Linux RAID",
    "E6D6D379-F507-44C2-A23C-238F2A3DF928": "Linux LVM",
    "8DA63339-0007-60C0-C436-083AC8230908": "Linux reserved",
    "BC13C2FF-59E6-4262-A352-B275FD6F7172": "Linux extended boot",
    "CA7D7CCB-63ED-4C53-861C-1742536059CC": "Linux LUKS",
    "7FFEC5C9-2D00-49B7-8941-3EA10A5586B7": "Linux dm-crypt",
    "D3BFE2DE-3DAF-11DF-BA40-E3A556D89593": "Intel Fast Flash",
    "48465300-0000-11AA-AA11-00306543ECAC": "Apple HFS+",
    "7C3457EF-0000-11AA-AA11-00306543ECAC": "Apple APFS",
    "426F6F74-0000-11AA-AA11-00306543ECAC": "Apple boot",
    "53746F72-6167-11AA-AA11-00306543ECAC": "Apple Core Storage",
}
"""Names of the partition type GUID."""
