"""exFAT on disk.

Source: Microsoft, "exFAT file system specification" (version 1.00), whose names these are.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

SOURCE = "Microsoft exFAT 1.00"

SIGNATURE = b"EXFAT   "

BOOT_SECTOR = Structure(
    "exFAT boot sector",
    SOURCE + ", section 3.1",
    512,
    (
        Field("JumpBoot", 0, "3s", "EB 76 90"),
        Field("FileSystemName", 3, "8s", "'EXFAT' and three spaces"),
        Field("MustBeZero", 11, "53s", "where FAT keeps its parameters"),
        Field("PartitionOffset", 64, "Q", "sectors before the partition; 0: ignore"),
        Field("VolumeLength", 72, "Q", "sectors"),
        Field("FatOffset", 80, "I", "first sector of the first FAT; 24 at least"),
        Field("FatLength", 84, "I", "sectors of one FAT"),
        Field("ClusterHeapOffset", 88, "I", "first sector of cluster 2"),
        Field("ClusterCount", 92, "I", "clusters of the heap"),
        Field("FirstClusterOfRootDirectory", 96, "I"),
        Field("VolumeSerialNumber", 100, "I"),
        Field("FileSystemRevision", 104, "H", "high byte major, low byte minor"),
        Field("VolumeFlags", 106, "H", "bit 0 ActiveFat, 1 VolumeDirty, 2 MediaFailure"),
        Field("BytesPerSectorShift", 108, "B", "9 to 12"),
        Field("SectorsPerClusterShift", 109, "B", "0 to 25 less BytesPerSectorShift"),
        Field("NumberOfFats", 110, "B", "1, or 2 with TexFAT"),
        Field("PercentInUse", 112, "B", "0 to 100, 0xFF: unknown"),
        Field("BootSignature", 510, "2s", "55 AA"),
    ),
)

ALLOCATION_BITMAP = Structure(
    "exFAT allocation bitmap entry",
    SOURCE + ", section 7.1",
    32,
    (
        Field("EntryType", 0, "B", "0x81"),
        Field("BitmapFlags", 1, "B", "bit 0: for the second FAT"),
        Field("FirstCluster", 20, "I"),
        Field("DataLength", 24, "Q", "bytes: one bit a cluster"),
    ),
)

UP_CASE_TABLE = Structure(
    "exFAT up-case table entry",
    SOURCE + ", section 7.2",
    32,
    (
        Field("EntryType", 0, "B", "0x82"),
        Field("TableChecksum", 4, "I", "of the table's bytes"),
        Field("FirstCluster", 20, "I"),
        Field("DataLength", 24, "Q", "bytes"),
    ),
)

VOLUME_LABEL = Structure(
    "exFAT volume label entry",
    SOURCE + ", section 7.3",
    32,
    (
        Field("EntryType", 0, "B", "0x83"),
        Field("CharacterCount", 1, "B", "0 to 11"),
        Field("VolumeLabel", 2, "22s", "UTF-16"),
    ),
)

FILE_ENTRY = Structure(
    "exFAT file directory entry",
    SOURCE + ", section 7.4",
    32,
    (
        Field("SecondaryCount", 1, "B"),
        Field("SetChecksum", 2, "H", "over the whole set but these two bytes"),
        Field("FileAttributes", 4, "H"),
        Field("CreateTimestamp", 8, "I"),
        Field("LastModifiedTimestamp", 12, "I"),
        Field("Create10msIncrement", 20, "B"),
        Field("LastModified10msIncrement", 21, "B"),
        Field("CreateUtcOffset", 22, "B"),
        Field("LastModifiedUtcOffset", 23, "B"),
    ),
)

STREAM_EXTENSION = Structure(
    "exFAT stream extension entry",
    SOURCE + ", section 7.6",
    32,
    (
        Field("GeneralSecondaryFlags", 1, "B", "bit 0: AllocationPossible, bit 1: NoFatChain"),
        Field("NameLength", 3, "B", "UTF-16 units"),
        Field("NameHash", 4, "H", "of the up-cased name"),
        Field("ValidDataLength", 8, "Q", "bytes"),
        Field("FirstCluster", 20, "I"),
        Field("DataLength", 24, "Q", "bytes"),
    ),
)

SECTOR_SHIFTS = range(9, 13)
"""BytesPerSectorShift: 512 to 4,096 bytes a sector (section 3.1.14)."""

MOST_CLUSTER_SHIFT = 25
"""The two shifts together: clusters of at most 32 MiB (section 3.1.15)."""
