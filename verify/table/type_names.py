"""What partition types are called; an unknown type has no name and is no fault.

Sources: UEFI Specification 2.10 sections 5.2.2 and 5.3.3; Microsoft Learn, "Disk Partition Types"
and "PARTITION_INFORMATION_GPT structure"; util-linux, `include/pt-mbr-partnames.h` and
`include/pt-gpt-partnames.h`.
"""

from __future__ import annotations

from verify.text.message import say

MBR_TYPE_NAMES = {
    0x01: say("FAT12"),
    0x04: say("FAT16 below 32 MB"),
    0x05: say("Extended"),
    0x06: say("FAT16"),
    0x07: say("NTFS, exFAT or HPFS"),
    0x0B: say("FAT32"),
    0x0C: say("FAT32 (LBA)"),
    0x0E: say("FAT16 (LBA)"),
    0x0F: say("Extended (LBA)"),
    0x12: say("OEM diagnostics"),
    0x17: say("Hidden NTFS, exFAT or HPFS"),
    0x27: say("Hidden NTFS (Windows recovery)"),
    0x42: say("Dynamic disk (LDM)"),
    0x82: say("Linux swap"),
    0x83: say("Linux"),
    0x84: say("Hibernation"),
    0x85: say("Linux extended"),
    0x8E: say("Linux LVM"),
    0xA5: say("FreeBSD"),
    0xDE: say("OEM utility"),
    0xEE: say("GPT protective"),
    0xEF: say("EFI system"),
    0xFD: say("Linux RAID"),
}
"""Names of the OSType byte."""

GPT_TYPE_NAMES = {
    "C12A7328-F81F-11D2-BA4B-00A0C93EC93B": say("EFI system"),
    "024DEE41-33E7-11D3-9D69-0008C781F39F": say("MBR partition scheme"),
    "21686148-6449-6E6F-744E-656564454649": say("BIOS boot"),
    "E3C9E316-0B5C-4DB8-817D-F92DF00215AE": say("Microsoft reserved"),
    "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7": say("Microsoft basic data"),
    "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC": say("Windows recovery"),
    "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3": say("LDM metadata"),
    "AF9B60A0-1431-4F62-BC68-3311714A69AD": say("LDM data"),
    "E75CAF8F-F680-4CEE-AFA3-B001E56EFC2D": say("Microsoft storage spaces"),
    "0FC63DAF-8483-4772-8E79-3D69D8477DE4": say("Linux filesystem"),
    "4F68BCE3-E8CD-4DB1-96E7-FBCAF984B709": say("Linux root (x86-64)"),
    "933AC7E1-2EB4-4F13-B844-0E14E2AEF915": say("Linux home"),
    "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F": say("Linux swap"),
    "A19D880F-05FC-4D3B-A006-743F0F84911E": say("Linux RAID"),
    "E6D6D379-F507-44C2-A23C-238F2A3DF928": say("Linux LVM"),
    "8DA63339-0007-60C0-C436-083AC8230908": say("Linux reserved"),
    "BC13C2FF-59E6-4262-A352-B275FD6F7172": say("Linux extended boot"),
    "CA7D7CCB-63ED-4C53-861C-1742536059CC": say("Linux LUKS"),
    "7FFEC5C9-2D00-49B7-8941-3EA10A5586B7": say("Linux dm-crypt"),
    "D3BFE2DE-3DAF-11DF-BA40-E3A556D89593": say("Intel Fast Flash"),
    "48465300-0000-11AA-AA11-00306543ECAC": say("Apple HFS+"),
    "7C3457EF-0000-11AA-AA11-00306543ECAC": say("Apple APFS"),
    "426F6F74-0000-11AA-AA11-00306543ECAC": say("Apple boot"),
    "53746F72-6167-11AA-AA11-00306543ECAC": say("Apple Core Storage"),
}
"""Names of the partition type GUID."""

_WORDS: dict[str, str] = {
    str(name): name for name in (*MBR_TYPE_NAMES.values(), *GPT_TYPE_NAMES.values())
}


def type_words(name: str) -> str:
    """Return a type's name, as a manifest tells it, in words that other languages know."""
    return _WORDS.get(name, name)
