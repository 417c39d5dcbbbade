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
        Field("free_blocks_count_lo", 0xC, "I", "a counter, not the bitmaps' sum"),
        Field("first_data_block", 0x14, "I", "1 with blocks of 1024 bytes, else 0"),
        Field("log_block_size", 0x18, "I", "block size = 2^(10+n)"),
        Field("log_cluster_size", 0x1C, "I", "cluster size = 2^(10+n), with bigalloc"),
        Field("blocks_per_group", 0x20, "I"),
        Field("clusters_per_group", 0x24, "I"),
        Field("inodes_per_group", 0x28, "I"),
        Field("wtime", 0x30, "I", "last write, seconds since 1970"),
        Field("magic", 0x38, "H", "0xEF53"),
        Field("state", 0x3A, "H", "1 clean, 2 errors, 4 orphans being recovered"),
        Field("minor_rev_level", 0x3E, "H"),
        Field("rev_level", 0x4C, "I", "0: inodes of 128 bytes, no features"),
        Field("inode_size", 0x58, "H"),
        Field("block_group_nr", 0x5A, "H", "the group this copy stands in"),
        Field("feature_compat", 0x5C, "I"),
        Field("feature_incompat", 0x60, "I"),
        Field("feature_ro_compat", 0x64, "I"),
        Field("uuid", 0x68, "16s"),
        Field("volume_name", 0x78, "16s"),
        Field("reserved_gdt_blocks", 0xCE, "H", "blocks kept for a longer descriptor table"),
        Field("last_orphan", 0xE8, "I", "head of the list of inodes to delete"),
        Field("desc_size", 0xFE, "H", "bytes of a group descriptor, with 64bit"),
        Field("first_meta_bg", 0x104, "I", "first descriptor block that lies by meta_bg"),
        Field("blocks_count_hi", 0x150, "I", "with 64bit"),
        Field("free_blocks_count_hi", 0x158, "I", "with 64bit"),
        Field("backup_bgs_0", 0x24C, "I", "group of the first backup, with sparse_super2"),
        Field("backup_bgs_1", 0x250, "I", "group of the second"),
        Field("wtime_hi", 0x274, "B", "bits 32-39 of wtime"),
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
        Field("flags", 0x12, "H", "2: block bitmap not initialised"),
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
    ),
)

INODE = Structure(
    "ext inode",
    SOURCE + "/inodes.rst",
    128,
    (
        Field("mode", 0x0, "H", "kind in the high four bits, then setuid, setgid, sticky, rights"),
        Field("uid", 0x2, "H"),
        Field("gid", 0x18, "H"),
        Field("flags", 0x20, "I"),
        Field("file_acl_lo", 0x68, "I", "block of extended attributes"),
        Field("file_acl_high", 0x76, "H"),
        Field("uid_high", 0x78, "H"),
        Field("gid_high", 0x7A, "H"),
    ),
)

INODE_EXTRA_SIZE = (0x80, 0x82)
"""Where an inode longer than 128 bytes says how much of the rest is fields (inodes.rst)."""

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
