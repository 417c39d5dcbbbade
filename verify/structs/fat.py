"""FAT12, FAT16 and FAT32 on disk.

Source: Microsoft, "FAT: General Overview of On-Disk Format" (version 1.03), whose names these
are; offsets checked against libblkid's `vfat.c` and linux/msdos_fs.h.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

SOURCE = "Microsoft FAT 1.03"

BOOT_SECTOR = Structure(
    "FAT boot sector",
    SOURCE + ", 'Boot Sector and BPB Structure'",
    512,
    (
        Field("BS_jmpBoot", 0, "3s", "EB xx 90 or E9 xx xx"),
        Field("BS_OEMName", 3, "8s", "free text"),
        Field("BPB_BytsPerSec", 11, "H", "512, 1024, 2048 or 4096"),
        Field("BPB_SecPerClus", 13, "B", "a power of two"),
        Field("BPB_RsvdSecCnt", 14, "H", "sectors before the first FAT; not 0"),
        Field("BPB_NumFATs", 16, "B", "1 or 2"),
        Field("BPB_RootEntCnt", 17, "H", "entries of the root directory; 0 on FAT32"),
        Field("BPB_TotSec16", 19, "H", "total sectors, or 0"),
        Field("BPB_Media", 21, "B", "0xF0, 0xF8 to 0xFF"),
        Field("BPB_FATSz16", 22, "H", "sectors of one FAT; 0 on FAT32"),
        Field("BPB_HiddSec", 28, "I", "sectors before the partition"),
        Field("BPB_TotSec32", 32, "I", "total sectors, where BPB_TotSec16 is 0"),
        Field("boot_signature", 510, "2s", "55 AA"),
    ),
)

EXTENDED_16 = Structure(
    "FAT12/16 extended boot record",
    SOURCE + ", 'FAT12 and FAT16 structure starting at offset 36'",
    512,
    (
        Field("BS_Reserved1", 37, "B", "state: bit 0 not cleanly dismounted, bit 1 check surface"),
        Field("BS_BootSig", 38, "B", "0x28: serial follows; 0x29: label and type too"),
        Field("BS_VolID", 39, "I", "serial number"),
        Field("BS_VolLab", 43, "11s", "copy of the label"),
        Field("BS_FilSysType", 54, "8s", "not used"),
    ),
)

EXTENDED_32 = Structure(
    "FAT32 extended boot record",
    SOURCE + ", 'FAT32 structure starting at offset 36'",
    512,
    (
        Field("BPB_FATSz32", 36, "I", "sectors of one FAT"),
        Field("BPB_ExtFlags", 40, "H", "bit 7: one FAT is active, bits 0-3: which"),
        Field("BPB_FSVer", 42, "H", "0"),
        Field("BPB_RootClus", 44, "I", "first cluster of the root directory"),
        Field("BPB_FSInfo", 48, "H", "sector of FSInfo"),
        Field("BPB_BkBootSec", 50, "H", "sector of the boot sector's copy, usually 6; 0: none"),
        Field("BS_Reserved1", 65, "B", "state: bit 0 not cleanly dismounted, bit 1 check surface"),
        Field("BS_BootSig", 66, "B", "0x28: serial follows; 0x29: label and type too"),
        Field("BS_VolID", 67, "I", "serial number"),
        Field("BS_VolLab", 71, "11s", "copy of the label"),
        Field("BS_FilSysType", 82, "8s", "not used"),
    ),
)

FSINFO = Structure(
    "FAT32 FSInfo",
    SOURCE + ", 'FAT32 FSInfo Sector Structure'",
    512,
    (
        Field("FSI_LeadSig", 0, "I", "0x41615252"),
        Field("FSI_StrucSig", 484, "I", "0x61417272"),
        Field("FSI_Free_Count", 488, "I", "free clusters, a hint; 0xFFFFFFFF: unknown"),
        Field("FSI_Nxt_Free", 492, "I", "where to look first"),
        Field("FSI_TrailSig", 508, "I", "0xAA550000"),
    ),
)

DIRECTORY_ENTRY = Structure(
    "FAT directory entry",
    SOURCE + ", 'FAT Directory Structure'",
    32,
    (
        Field("DIR_Name", 0, "11s", "first byte 0x00: none follow, 0xE5: deleted, 0x05: is 0xE5"),
        Field("DIR_Attr", 11, "B", "0x08 volume label; 0x0F in 0x3F: part of a long name"),
    ),
)

FSINFO_SIGNATURES = {
    "FSI_LeadSig": 0x41615252,
    "FSI_StrucSig": 0x61417272,
    "FSI_TrailSig": 0xAA550000,
}
