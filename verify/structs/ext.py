"""ext2, ext3 and ext4 on disk.

Source: Linux, Documentation/filesystems/ext4/super.rst and group_descr.rst, whose names these
are (without the prefixes `s_` and `bg_`).
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

SOURCE = "Linux Documentation/filesystems/ext4"

MAGIC = 0xEF53
SUPERBLOCK_OFFSET = 1024

SUPERBLOCK = Structure(
    "ext superblock",
    SOURCE + "/super.rst",
    1024,
    (
        Field("inodes_count", 0x0, "I"),
        Field("blocks_count_lo", 0x4, "I"),
        Field("r_blocks_count_lo", 0x8, "I", "kept for the administrator"),
        Field("free_blocks_count_lo", 0xC, "I", "a counter, not the bitmaps' sum"),
        Field("free_inodes_count", 0x10, "I", "a counter"),
        Field("first_data_block", 0x14, "I", "1 with blocks of 1024 bytes, else 0"),
        Field("log_block_size", 0x18, "I", "block size = 2^(10+n)"),
        Field("log_cluster_size", 0x1C, "I", "cluster size = 2^(10+n), with bigalloc"),
        Field("blocks_per_group", 0x20, "I"),
        Field("clusters_per_group", 0x24, "I"),
        Field("inodes_per_group", 0x28, "I"),
        Field("mtime", 0x2C, "I", "last mount, seconds since 1970"),
        Field("wtime", 0x30, "I", "last write, seconds since 1970"),
        Field("magic", 0x38, "H", "0xEF53"),
        Field("state", 0x3A, "H", "1 clean, 2 errors, 4 orphans being recovered"),
        Field("minor_rev_level", 0x3E, "H"),
        Field("lastcheck", 0x40, "I", "last check, seconds since 1970"),
        Field("rev_level", 0x4C, "I", "0: inodes of 128 bytes, no features"),
        Field("first_ino", 0x54, "I", "first inode that is not reserved"),
        Field("inode_size", 0x58, "H"),
        Field("block_group_nr", 0x5A, "H", "the group this copy stands in"),
        Field("feature_compat", 0x5C, "I"),
        Field("feature_incompat", 0x60, "I"),
        Field("feature_ro_compat", 0x64, "I"),
        Field("uuid", 0x68, "16s"),
        Field("volume_name", 0x78, "16s"),
        Field("reserved_gdt_blocks", 0xCE, "H", "blocks kept for a longer descriptor table"),
        Field("journal_inum", 0xE0, "I", "inode of the journal"),
        Field("journal_dev", 0xE4, "I", "device of a journal kept apart"),
        Field("last_orphan", 0xE8, "I", "head of the list of inodes to delete"),
        Field("hash_seed", 0xEC, "16s", "of the hashes in folders"),
        Field("desc_size", 0xFE, "H", "bytes of a group descriptor, with 64bit"),
        Field("first_meta_bg", 0x104, "I", "first descriptor block that lies by meta_bg"),
        Field("blocks_count_hi", 0x150, "I", "with 64bit"),
        Field("r_blocks_count_hi", 0x154, "I", "with 64bit"),
        Field("free_blocks_count_hi", 0x158, "I", "with 64bit"),
        Field("flags", 0x160, "I", "1: hashes of signed, 2: of unsigned characters"),
        Field("mmp_block", 0x168, "Q", "block that says who has it mounted, with mmp"),
        Field("log_groups_per_flex", 0x174, "B", "groups a flexible group = 2^n"),
        Field("checksum_type", 0x175, "B", "1: crc32c, the only one"),
        Field("usr_quota_inum", 0x240, "I", "inode of the users' quotas, with quota"),
        Field("grp_quota_inum", 0x244, "I", "inode of the groups' quotas"),
        Field("backup_bgs_0", 0x24C, "I", "group of the first backup, with sparse_super2"),
        Field("backup_bgs_1", 0x250, "I", "group of the second"),
        Field("prj_quota_inum", 0x26C, "I", "inode of the projects' quotas, with project"),
        Field("checksum_seed", 0x270, "I", "start of every crc32c, with metadata_csum_seed"),
        Field("wtime_hi", 0x274, "B", "bits 32-39 of wtime"),
        Field("mtime_hi", 0x275, "B", "bits 32-39 of mtime"),
        Field("lastcheck_hi", 0x277, "B", "bits 32-39 of lastcheck"),
        Field("encoding", 0x27C, "H", "1: names are UTF-8 of Unicode 12.1, with casefold"),
        Field("orphan_file_inum", 0x280, "I", "inode of the file of orphans, with orphan_file"),
        Field("checksum", 0x3FC, "I", "crc32c of the bytes before it, with metadata_csum"),
    ),
)

GROUP_DESCRIPTOR = Structure(
    "ext group descriptor",
    SOURCE + "/group_descr.rst",
    32,
    (
        Field("block_bitmap_lo", 0x0, "I", "block of the group's block bitmap"),
        Field("inode_bitmap_lo", 0x4, "I"),
        Field("inode_table_lo", 0x8, "I"),
        Field("free_blocks_count_lo", 0xC, "H", "clusters, with bigalloc"),
        Field("free_inodes_count_lo", 0xE, "H"),
        Field("used_dirs_count_lo", 0x10, "H"),
        Field("flags", 0x12, "H", "1: inode bitmap, 2: block bitmap not initialised"),
        Field("block_bitmap_csum_lo", 0x18, "H", "with metadata_csum"),
        Field("inode_bitmap_csum_lo", 0x1A, "H", "with metadata_csum"),
        Field("itable_unused_lo", 0x1C, "H", "inodes at the end that were never used"),
        Field("checksum", 0x1E, "H", "low half of a crc32c, or a crc16 with uninit_bg"),
    ),
)

GROUP_DESCRIPTOR_64 = Structure(
    "ext group descriptor, 64-bit",
    SOURCE + "/group_descr.rst",
    64,
    (
        *GROUP_DESCRIPTOR.fields,
        Field("block_bitmap_hi", 0x20, "I"),
        Field("inode_bitmap_hi", 0x24, "I"),
        Field("inode_table_hi", 0x28, "I"),
        Field("free_blocks_count_hi", 0x2C, "H"),
        Field("free_inodes_count_hi", 0x2E, "H"),
        Field("used_dirs_count_hi", 0x30, "H"),
        Field("itable_unused_hi", 0x32, "H"),
        Field("block_bitmap_csum_hi", 0x38, "H"),
        Field("inode_bitmap_csum_hi", 0x3A, "H"),
    ),
)

INODE = Structure(
    "ext inode",
    SOURCE + "/inodes.rst",
    128,
    (
        Field("mode", 0x0, "H", "kind in the high four bits, then setuid, setgid, sticky, rights"),
        Field("uid", 0x2, "H"),
        Field("size_lo", 0x4, "I"),
        Field("atime", 0x8, "I", "of an inode that holds an attribute: the value's hash"),
        Field("ctime", 0xC, "I", "when the inode changed, seconds since 1970, signed"),
        Field("mtime", 0x10, "I", "when the contents changed"),
        Field("dtime", 0x14, "I", "when it was deleted; the next orphan, on the list of them"),
        Field("gid", 0x18, "H"),
        Field("links_count", 0x1A, "H"),
        Field("blocks_lo", 0x1C, "I", "sectors of 512 bytes, or blocks with flag 0x40000"),
        Field("flags", 0x20, "I"),
        Field("block", 0x28, "60s", "block numbers, an extent tree, a short link or inline data"),
        Field("generation", 0x64, "I"),
        Field("file_acl_lo", 0x68, "I", "block of extended attributes"),
        Field("size_high", 0x6C, "I"),
        Field("blocks_high", 0x74, "H"),
        Field("file_acl_high", 0x76, "H"),
        Field("uid_high", 0x78, "H"),
        Field("gid_high", 0x7A, "H"),
        Field("checksum_lo", 0x7C, "H", "with metadata_csum"),
    ),
)

INODE_LONG = Structure(
    "ext inode, longer than 128 bytes",
    SOURCE + "/inodes.rst",
    132,
    (
        *INODE.fields,
        Field("extra_isize", 0x80, "H", "bytes of fields behind the first 128"),
        Field("checksum_hi", 0x82, "H", "where extra_isize covers it"),
    ),
)

INODE_TIMES = Structure(
    "ext inode with its further times",
    SOURCE + "/inodes.rst",
    152,
    (
        *INODE_LONG.fields,
        Field("ctime_extra", 0x84, "I", "bits 0-1: above the seconds; the rest nanoseconds"),
        Field("mtime_extra", 0x88, "I"),
        Field("crtime", 0x90, "I", "when it was made"),
        Field("crtime_extra", 0x94, "I"),
    ),
)

EXTENT_MAGIC = 0xF30A
LONGEST_EXTENT = 32768
"""Blocks of a written extent at most; a higher length is of one not yet written."""

EXTENT_HEADER = Structure(
    "ext extent header",
    SOURCE + "/ifork.rst",
    12,
    (
        Field("magic", 0x0, "H", "0xF30A"),
        Field("entries", 0x2, "H"),
        Field("max", 0x4, "H", "entries there is room for"),
        Field("depth", 0x6, "H", "0: the entries are extents"),
    ),
)

EXTENT = Structure(
    "ext extent",
    SOURCE + "/ifork.rst",
    12,
    (
        Field("block", 0x0, "I", "first block of the file"),
        Field("len", 0x4, "H", "blocks; above 32768: that many less, not yet written"),
        Field("start_hi", 0x6, "H"),
        Field("start_lo", 0x8, "I", "first block of the volume"),
    ),
)

EXTENT_INDEX = Structure(
    "ext extent index",
    SOURCE + "/ifork.rst",
    12,
    (
        Field("block", 0x0, "I", "first block of the file that it covers"),
        Field("leaf_lo", 0x4, "I", "block of the next level"),
        Field("leaf_hi", 0x8, "H"),
    ),
)

FOLDER_ENTRY = Structure(
    "ext folder entry",
    SOURCE + "/directory.rst",
    8,
    (
        Field("inode", 0x0, "I", "0: unused"),
        Field("rec_len", 0x4, "H", "bytes to the next entry"),
        Field("name_len", 0x6, "B"),
        Field("file_type", 0x7, "B", "with filetype; 0xDE: the checksum at the block's end"),
    ),
)

JOURNAL_SUPERBLOCK = Structure(
    "ext journal superblock",
    SOURCE + "/journal.rst",
    1024,
    (
        Field("magic", 0x0, "I", "0xC03B3998"),
        Field("blocktype", 0x4, "I", "3 or 4"),
        Field("blocksize", 0xC, "I"),
        Field("maxlen", 0x10, "I", "blocks of the journal"),
        Field("first", 0x14, "I", "first block of the log"),
        Field("sequence", 0x18, "I", "first transaction that is expected"),
        Field("start", 0x1C, "I", "block where the log begins; 0: it is empty"),
        Field("feature_compat", 0x24, "I"),
        Field("feature_incompat", 0x28, "I"),
        Field("feature_ro_compat", 0x2C, "I"),
        Field("uuid", 0x30, "16s"),
        Field("checksum_type", 0x50, "B", "4: crc32c"),
        Field("num_fc_blocks", 0x54, "I", "blocks of fast commits at the end; 0: 256"),
        Field("checksum", 0xFC, "I", "crc32c of the 1024 bytes, this field as 0"),
    ),
    ">",
)

MMP = Structure(
    "ext mount protection block",
    "Linux fs/ext4/ext4.h, struct mmp_struct",
    1024,
    (
        Field("magic", 0x0, "I", "0x004D4D50"),
        Field("seq", 0x4, "I", "0xFF4D4D50: not mounted; 0xE24D4D50: being checked"),
        Field("checksum", 0x3FC, "I", "crc32c, with metadata_csum"),
    ),
)


EXTENDED_MAGIC = 0xEA020000
EXTENDED_HEADER_BYTES = 32
"""The header of a block of extended attributes; in an inode the magic number alone."""

EXTENDED_ENTRY = Structure(
    "ext extended attribute",
    SOURCE + "/attributes.rst",
    16,
    (
        Field("name_len", 0x0, "B"),
        Field("name_index", 0x1, "B", "of the prefix"),
        Field("value_offs", 0x2, "H", "from the first entry in an inode, else from the block"),
        Field("value_inum", 0x4, "I", "inode that holds the value; 0: it is here"),
        Field("value_size", 0x8, "I"),
        Field("hash", 0xC, "I", "of name and value"),
    ),
)

EXTENDED_PREFIXES = {
    0: "",
    1: "user.",
    2: "system.posix_acl_access",
    3: "system.posix_acl_default",
    4: "trusted.",
    6: "security.",
    7: "system.",
    8: "system.richacl",
    9: "encryption.",
}
"""Prefixes of names by index (attributes.rst; 9: Linux, fs/ext4/xattr.h)."""

COMPAT = {
    0x0001: "dir_prealloc",
    0x0002: "imagic_inodes",
    0x0004: "has_journal",
    0x0008: "ext_attr",
    0x0010: "resize_inode",
    0x0020: "dir_index",
    0x0200: "sparse_super2",
    0x0400: "fast_commit",
    0x0800: "stable_inodes",
    0x1000: "orphan_file",
}
INCOMPAT = {
    0x0001: "compression",
    0x0002: "filetype",
    0x0004: "needs_recovery",
    0x0008: "journal_dev",
    0x0010: "meta_bg",
    0x0040: "extent",
    0x0080: "64bit",
    0x0100: "mmp",
    0x0200: "flex_bg",
    0x0400: "ea_inode",
    0x1000: "dirdata",
    0x2000: "metadata_csum_seed",
    0x4000: "large_dir",
    0x8000: "inline_data",
    0x10000: "encrypt",
    0x20000: "casefold",
}
RO_COMPAT = {
    0x0001: "sparse_super",
    0x0002: "large_file",
    0x0008: "huge_file",
    0x0010: "uninit_bg",
    0x0020: "dir_nlink",
    0x0040: "extra_isize",
    0x0100: "quota",
    0x0200: "bigalloc",
    0x0400: "metadata_csum",
    0x0800: "replica",
    0x1000: "read-only",
    0x2000: "project",
    0x4000: "shared_blocks",
    0x8000: "verity",
    0x10000: "orphan_present",
}
"""Feature bits, by the words e2fsprogs prints for them (lib/e2p/feature.c)."""
