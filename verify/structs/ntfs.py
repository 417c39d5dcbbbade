"""NTFS on disk: boot sector, file record, attributes.

Source: the field tables of libfsntfs, "New Technologies File System (NTFS) format"
(documentation of the libyal project), checked against images made by mkntfs.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

SOURCE = "libfsntfs, NTFS format"

SIGNATURE = b"NTFS    "
FILE_SIGNATURE = b"FILE"

BOOT_SECTOR = Structure(
    "NTFS boot sector",
    SOURCE + ", 'The volume header'",
    512,
    (
        Field("oem_id", 3, "8s", "'NTFS' and four spaces"),
        Field("bytes_per_sector", 11, "H", "256 to 4096"),
        Field("sectors_per_cluster", 13, "B", "1 to 128; from 244: 2^(256-n) sectors"),
        Field("reserved_sectors", 14, "H", "0"),
        Field("fats", 16, "B", "0"),
        Field("root_entries", 17, "H", "0"),
        Field("total_sectors_16", 19, "H", "0"),
        Field("media", 21, "B", "0xF8"),
        Field("sectors_per_fat", 22, "H", "0"),
        Field("hidden_sectors", 28, "I", "sectors before the partition; BIOS boot code uses it"),
        Field("total_sectors_32", 32, "I", "0"),
        Field("total_sectors", 40, "Q", "without the backup boot sector"),
        Field("mft_cluster", 48, "Q", "first cluster of $MFT"),
        Field("mft_mirror_cluster", 56, "Q", "first cluster of $MFTMirr"),
        Field("record_size", 64, "b", "above 0: clusters; below: 2^-n bytes"),
        Field("index_size", 68, "b", "same coding"),
        Field("serial", 72, "Q", "volume serial number"),
        Field("boot_signature", 510, "2s", "55 AA"),
    ),
)

FILE_RECORD = Structure(
    "NTFS file record",
    SOURCE + ", 'MFT entry header'",
    48,
    (
        Field("signature", 0, "4s", "'FILE', or 'BAAD'"),
        Field("fixup_offset", 4, "H", "of the update sequence, from the record's start"),
        Field("fixup_count", 6, "H", "16-bit words of it: one, and one a stride"),
        Field("sequence", 16, "H", "counts the record's reuses; a reference's high 16 bits"),
        Field("links", 18, "H", "names, short ones included"),
        Field("first_attribute", 20, "H", "offset"),
        Field("flags", 22, "H", "1 in use, 2 directory"),
        Field("used_bytes", 24, "I", "of this record"),
        Field("allocated_bytes", 28, "I", "of this record: the volume's record size"),
        Field("base_record", 32, "Q", "0, or the record this one extends"),
        Field("next_id", 40, "H", "above the identifier of every attribute"),
        Field("number", 44, "I", "its own; where the update sequence begins at 48 (NTFS 3.1)"),
    ),
)

ATTRIBUTE = Structure(
    "NTFS attribute header",
    SOURCE + ", 'MFT attribute header'",
    16,
    (
        Field("type", 0, "I", "0x20 list, 0x60 name, 0x70 information, 0x80 data; 0xFFFFFFFF ends"),
        Field("length", 4, "I", "of the whole attribute"),
        Field("non_resident", 8, "B", "0 or 1"),
        Field("name_length", 9, "B", "16-bit characters; 0: the unnamed stream"),
        Field("name_offset", 10, "H", "from the attribute's start"),
        Field("flags", 12, "H", "0x0001 compressed, 0x4000 encrypted, 0x8000 sparse"),
        Field("identifier", 14, "H", "of the attribute in its record"),
    ),
)

RESIDENT = Structure(
    "NTFS resident attribute",
    SOURCE + ", 'Resident MFT attribute'",
    24,
    (
        Field("value_length", 16, "I", "bytes"),
        Field("value_offset", 20, "H", "from the attribute's start"),
    ),
)

NON_RESIDENT = Structure(
    "NTFS non-resident attribute",
    SOURCE + ", 'Non-resident MFT attribute'",
    64,
    (
        Field("first_vcn", 16, "Q", "first cluster of the stream that these runs hold"),
        Field("last_vcn", 24, "Q", "last one"),
        Field("runs_offset", 32, "H", "of the run list, from the attribute's start"),
        Field("compression_unit", 34, "H", "2^n clusters; 0: not compressed"),
        Field("allocated_size", 40, "Q", "bytes of all its clusters, holes included"),
        Field("data_size", 48, "Q", "bytes; valid where first_vcn is 0"),
        Field("valid_size", 56, "Q", "bytes written; zeros follow"),
    ),
)

ATTRIBUTE_LIST_ENTRY = Structure(
    "NTFS attribute list entry",
    SOURCE + ", 'The attribute list attribute'",
    26,
    (
        Field("type", 0, "I", "of the attribute"),
        Field("length", 4, "H", "of this entry"),
        Field("name_length", 6, "B", "16-bit characters"),
        Field("name_offset", 7, "B", "from the entry's start"),
        Field("first_vcn", 8, "Q", "as in the attribute"),
        Field("file_reference", 16, "Q", "low 48 bits: the record that holds it"),
        Field("identifier", 24, "H", "as in the attribute"),
    ),
)

VOLUME_INFORMATION = Structure(
    "NTFS $VOLUME_INFORMATION",
    SOURCE + ", 'The volume information attribute'",
    12,
    (
        Field("major_version", 8, "B"),
        Field("minor_version", 9, "B"),
        Field("flags", 10, "H", "volume flags"),
    ),
)

VOLUME_FLAGS = {
    0x0001: "dirty",
    0x0002: "resize-log",
    0x0004: "upgrade-on-mount",
    0x0008: "mounted-by-nt4",
    0x0010: "deleting-usn-journal",
    0x0020: "repair-object-ids",
    0x0080: "no-short-names",
    0x4000: "check-under-way",
    0x8000: "changed-by-check",
}
"""Names of the volume flags: libfsntfs, 'Volume flags'.

# GUESS: 0x0080 is not in that table; Windows 8 and later set it on new volumes, and readers of
the format name it "short name creation disabled".
"""

STANDARD_INFORMATION = Structure(
    "NTFS $STANDARD_INFORMATION",
    SOURCE + ", 'The standard information attribute'",
    44,
    (
        Field("created", 0, "Q", "100 ns since 1601 UTC"),
        Field("modified", 8, "Q", "the data"),
        Field("changed", 16, "Q", "the record"),
        Field("attributes", 32, "I", "file attribute flags"),
        Field("most_versions", 36, "I", "0"),
        Field("version", 40, "I", "1: a folder that tells names apart by case; else 0"),
    ),
)

SECURITY_ID_FIELD = (52, 56)
"""Where a $STANDARD_INFORMATION of NTFS 3 (72 bytes) keeps the security identifier."""

FILE_NAME = Structure(
    "NTFS $FILE_NAME",
    SOURCE + ", 'The file name attribute'",
    66,
    (
        Field("parent", 0, "Q", "low 48 bits: the record of the folder"),
        Field("length", 64, "B", "16-bit characters of the name behind this"),
        Field("namespace", 65, "B", "0 POSIX, 1 Windows, 2 DOS, 3 Windows and DOS"),
    ),
)

INDEX_SIGNATURE = b"INDX"

INDEX_ROOT = Structure(
    "NTFS $INDEX_ROOT",
    SOURCE + ", 'The index root attribute'",
    16,
    (
        Field("attribute_type", 0, "I", "0x30: ordered by $FILE_NAME"),
        Field(
            "collation", 4, "I", "1 by file name; 0x10 number; 0x11 SID; 0x12 hash; 0x13 numbers"
        ),
        Field("block_bytes", 8, "I", "of each block outside the record"),
    ),
)

INDEX_BLOCK = Structure(
    "NTFS index block",
    SOURCE + ", 'The index record header'",
    24,
    (
        Field("signature", 0, "4s", "'INDX'"),
        Field("fixup_offset", 4, "H", "of the update sequence, from the block's start"),
        Field("fixup_count", 6, "H", "16-bit words of it"),
        Field("vcn", 16, "Q", "its own number, by which an entry above points to it"),
    ),
)

INDEX_NODE = Structure(
    "NTFS index node",
    SOURCE + ", 'The index node header'",
    16,
    (
        Field("entries_offset", 0, "I", "of the first entry, from this header"),
        Field("used_bytes", 4, "I", "this header and the entries"),
        Field("allocated_bytes", 8, "I", "of this header and the room for entries"),
        Field("flags", 12, "I", "1: entries have nodes below them"),
    ),
)

INDEX_ENTRY = Structure(
    "NTFS index entry of a folder",
    SOURCE + ", 'The index value' and 'The file name attribute'",
    82,
    (
        Field("file_reference", 0, "Q", "low 48 bits: the record; high 16: its sequence number"),
        Field("length", 8, "H", "of this entry"),
        Field("key_length", 10, "H", "of the $FILE_NAME"),
        Field(
            "flags",
            12,
            "I",
            "1 a node below: its number ends the entry; 2 the last one, without a name",
        ),
        Field("parent", 16, "Q", "as in $FILE_NAME: the folder itself"),
        Field("file_flags", 72, "I", "0x10000000: a folder"),
        Field("letters", 80, "B", "16-bit characters of the name behind this"),
        Field("namespace", 81, "B", "as in $FILE_NAME"),
    ),
)

SECURITY_ENTRY = Structure(
    "NTFS $SDS entry",
    SOURCE + ", 'The security descriptor stream'",
    20,
    (
        Field("hash", 0, "I"),
        Field("security_id", 4, "I", "what $STANDARD_INFORMATION names"),
        Field("offset", 8, "Q", "of this entry in the stream"),
        Field("size", 16, "I", "of this entry, its header included"),
    ),
)

SECURITY_DESCRIPTOR = Structure(
    "security descriptor",
    "[MS-DTYP] 2.4.6, SECURITY_DESCRIPTOR",
    20,
    (
        Field("revision", 0, "B", "1"),
        Field("control", 2, "H", "0x1000: the access list inherits nothing; 0x2000: nor the audit"),
        Field("owner_offset", 4, "I", "0: none"),
        Field("group_offset", 8, "I", "0: none"),
        Field("sacl_offset", 12, "I", "0: none"),
        Field("dacl_offset", 16, "I", "0: none"),
    ),
)

CHANGE_NOTE = Structure(
    "NTFS change journal record, version 2",
    "Microsoft Learn, USN_RECORD_V2",
    60,
    (
        Field("record_length", 0, "I", "0: the rest of the page of 4,096 bytes is empty"),
        Field("major_version", 4, "H", "2"),
        Field("usn", 24, "Q", "where it stands in the stream $J"),
        Field("time_stamp", 32, "Q", "FILETIME"),
    ),
)

CHANGE_NOTE_3 = Structure(
    "NTFS change journal record, version 3",
    "Microsoft Learn, USN_RECORD_V3",
    76,
    (
        Field("record_length", 0, "I"),
        Field("major_version", 4, "H", "3: references of 16 bytes; version 4 has no time"),
        Field("usn", 40, "Q", "where it stands in the stream $J"),
        Field("time_stamp", 48, "Q", "FILETIME"),
    ),
)

RESTART_PAGE = Structure(
    "NTFS log restart page",
    SOURCE + ", 'The log file ($LogFile)'",
    30,
    (
        Field("signature", 0, "4s", "'RSTR', or 'CHKD' after a check"),
        Field("system_page_bytes", 16, "I", "the second restart page stands there"),
        Field("log_page_bytes", 20, "I"),
        Field("restart_offset", 24, "H", "of the restart area, from the page's start"),
    ),
)

RESTART_AREA = Structure(
    "NTFS log restart area",
    SOURCE + ", 'The log file ($LogFile)'",
    16,
    (
        Field("current_lsn", 0, "Q", "the newer of two restart pages has the higher one"),
        Field("log_clients", 8, "H"),
        Field("client_in_use_list", 12, "H", "0xFFFF: nobody uses the log"),
        Field("flags", 14, "H", "0x0002: the volume was dismounted cleanly"),
    ),
)
