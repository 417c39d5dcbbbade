"""First structures of what is recognised and described, but whose files are not listed.

Each table names its source; several are printed nowhere by their makers.
"""

from __future__ import annotations

from verify.structs.base import Field, Structure

BITLOCKER_SIGNATURE = b"-FVE-FS-"
BITLOCKER_FIXED = bytes.fromhex("3bd66749292ed84a8399f6a339e3d001")
BITLOCKER_USED_SPACE_ONLY = bytes.fromhex("3b4da89280dd0e4d9e4eb1e3284eaed8")
"""GUIDs 4967D63B-2E29-4AD8-8399-F6A339E3D001 and 92A84D3B-DD80-4D0E-9E4E-B1E3284EAED8."""

_LIBBDE = "libbde, BitLocker Drive Encryption (BDE) format"

BITLOCKER_BOOT_SECTOR = Structure(
    "BitLocker boot sector",
    _LIBBDE + ", 'Volume header'",
    512,
    (
        Field("signature", 3, "8s", "'-FVE-FS-'; on a removable one that of its FAT32"),
        Field("bytes_per_sector", 11, "H"),
        Field("sectors_per_cluster", 13, "B"),
        Field("vista_metadata_cluster", 56, "Q", "Windows Vista: cluster of the metadata"),
        Field("identifier", 160, "16s", "one of two GUIDs; Windows Vista has none"),
        Field("metadata_offset", 176, "Q", "first of three, bytes"),
        Field("removable_identifier", 424, "16s", "the same, on a removable one"),
        Field("removable_metadata_offset", 440, "Q", "first of three, bytes"),
    ),
)

BITLOCKER_METADATA = Structure(
    "BitLocker metadata",
    _LIBBDE + ", 'FVE metadata block header' and 'FVE metadata header'",
    112,
    (
        Field("signature", 0, "8s", "'-FVE-FS-'"),
        Field("version", 10, "H", "1 Windows Vista, 2 later"),
        # GUESS: the values were seen in images of encrypted and decrypted volumes.
        Field("state", 12, "H", "1 decrypted, 4 encrypted, else under way"),
        Field("encrypted_bytes", 16, "Q", "of the volume, in version 2"),
        Field("volume_identifier", 80, "16s", "GUID"),
    ),
)

LUKS_SIGNATURE = b"LUKS\xba\xbe"

LUKS = Structure(
    "LUKS header",
    "LUKS1 On-Disk Format 1.2.3, 'phdr'; LUKS2 On-Disk Format 1.1.1, 'Binary header'",
    512,
    (
        Field("magic", 0, "6s", "'LUKS' BA BE"),
        Field("version", 6, "H", "1 or 2"),
        Field("label", 24, "48s", "version 2; in version 1 a cipher's name stands there"),
        Field("uuid", 168, "40s", "text"),
    ),
    ">",
)

LUKS2_SECOND_SIGNATURE = b"SKUL\xba\xbe"

LUKS2 = Structure(
    "LUKS2 binary header",
    "LUKS2 On-Disk Format 1.1.1, 'Binary header'",
    4096,
    (
        Field("magic", 0, "6s", "'LUKS' BA BE; of the second one 'SKUL' BA BE"),
        Field("version", 6, "H", "2"),
        Field("hdr_size", 8, "Q", "with the JSON area; the second one begins there"),
        Field("seqid", 16, "Q", "higher with every change"),
        Field("csum_alg", 72, "32s", "name of the checksum"),
        Field("hdr_offset", 256, "Q", "where this header stands"),
        Field("csum", 448, "64s", "of header and JSON area, this field taken as 0"),
    ),
    ">",
)

LVM_LABEL = Structure(
    "LVM label",
    "lvm2, lib/label/label.h, lib/format_text/layout.h",
    512,
    (
        Field("id", 0, "8s", "'LABELONE'"),
        Field("sector", 8, "Q", "the sector it stands in"),
        Field("crc", 16, "I", "of the sector from byte 20 on"),
        Field("offset", 20, "I", "of the physical volume's header"),
        Field("type", 24, "8s", "'LVM2 001'"),
    ),
)

LVM_PHYSICAL_VOLUME = Structure(
    "LVM physical volume header",
    "lvm2, lib/format_text/layout.h, pv_header",
    40,
    (
        Field("uuid", 0, "32s", "text without its dashes"),
        Field("device_size", 32, "Q", "bytes"),
    ),
)

LVM_AREA = Structure(
    "LVM area",
    "lvm2, lib/format_text/layout.h, disk_locn",
    16,
    (
        Field("offset", 0, "Q", "bytes; 0 ends the list"),
        Field("size", 8, "Q"),
    ),
)

LVM_METADATA = Structure(
    "LVM metadata area",
    "lvm2, lib/format_text/layout.h, mda_header and raw_locn",
    64,
    (
        Field("checksum", 0, "I", "of the sector from byte 4 on"),
        Field("magic", 4, "16s", "' LVM2 x[5A%r0N*>'"),
        Field("text_offset", 40, "Q", "of the current text, from the area's start"),
        Field("text_size", 48, "Q"),
        Field("text_checksum", 56, "I", "of the text"),
        Field("text_flags", 60, "I", "bit 0: to be ignored"),
    ),
)

BCACHE_OFFSET = 4096

BCACHE = Structure(
    "bcache superblock",
    "Linux drivers/md/bcache/bcache_ondisk.h, struct cache_sb_disk",
    104,
    (
        Field("version", 16, "Q", "1 and 4: the drive that is cached; 0, 3, 5: the cache"),
        Field("magic", 24, "16s"),
        Field("uuid", 40, "16s"),
        Field("set_uuid", 56, "16s"),
        Field("label", 72, "32s"),
    ),
)

ISW = Structure(
    "Intel firmware RAID metadata",
    "mdadm, super-intel.c, struct imsm_super",
    216,
    (
        Field("signature", 0, "32s", "'Intel Raid ISM Cfg Sig. ' and a version"),
        Field("num_disks", 56, "B"),
        Field("num_raid_devs", 57, "B"),
    ),
)

ISW_DISK_BYTES = 48
"""Each disk behind the header, its serial (16 bytes) first: struct imsm_disk."""

XFS = Structure(
    "XFS superblock",
    "XFS Algorithms & Data Structures, 'Superblocks'",
    264,
    (
        Field("magicnum", 0, "4s", "'XFSB'"),
        Field("blocksize", 4, "I"),
        Field("dblocks", 8, "Q", "blocks of the data part"),
        Field("uuid", 32, "16s"),
        Field("agblocks", 84, "I", "blocks of an allocation group"),
        Field("agcount", 88, "I"),
        Field("versionnum", 100, "H", "low four bits: 4 or 5"),
        Field("sectsize", 102, "H"),
        Field("fname", 108, "12s", "label"),
        Field("fdblocks", 144, "Q", "free blocks, as last counted"),
    ),
    ">",
)

BTRFS_OFFSET = 65536

BTRFS = Structure(
    "btrfs superblock",
    "btrfs On-disk Format, 'Superblock'; linux/btrfs_tree.h",
    4096,
    (
        Field("csum", 0, "I", "of the bytes from 32 on"),
        Field("fsid", 32, "16s"),
        Field("bytenr", 48, "Q", "where this copy stands"),
        Field("magic", 64, "8s", "'_BHRfS_M'"),
        Field("generation", 72, "Q", "higher with every commit"),
        Field("total_bytes", 112, "Q", "of all devices"),
        Field("bytes_used", 120, "Q"),
        Field("num_devices", 136, "Q"),
        Field("sectorsize", 144, "I"),
        Field("csum_type", 196, "H", "0: CRC-32C"),
        Field("dev_total_bytes", 209, "Q", "of this device: dev_item.total_bytes"),
        Field("label", 299, "256s"),
    ),
)

SWAP_OFFSET = 1024

SWAP = Structure(
    "swap header",
    "Linux include/linux/swap.h, union swap_header",
    512,
    (
        Field("version", 0, "I", "1"),
        Field("last_page", 4, "I"),
        Field("uuid", 12, "16s"),
        Field("label", 28, "16s"),
    ),
)

REFS = Structure(
    "ReFS boot sector",
    "libfsrefs, fsrefs_volume_header.h",
    512,
    (
        Field("signature", 3, "8s", "'ReFS' and four zeros"),
        Field("identifier", 16, "4s", "'FSRS'"),
        Field("sectors", 24, "Q"),
        Field("bytes_per_sector", 32, "I"),
        Field("sectors_per_cluster", 36, "I"),
        Field("version", 40, "2s", "major, minor"),
        Field("serial", 56, "Q"),
    ),
)

APFS = Structure(
    "APFS container superblock",
    "Apple File System Reference, nx_superblock_t",
    1024,
    (
        Field("cksum", 0, "Q", "Fletcher-64 of the rest of the block"),
        Field("magic", 32, "4s", "'NXSB'"),
        Field("block_size", 36, "I"),
        Field("block_count", 40, "Q"),
        Field("uuid", 72, "16s"),
    ),
)

HFS_PLUS_OFFSET = 1024

HFS_PLUS = Structure(
    "HFS+ volume header",
    "Apple Technical Note TN1150, 'Volume Header'",
    512,
    (
        Field("signature", 0, "2s", "'H+', or 'HX' where case matters"),
        Field("version", 2, "H", "4 or 5"),
        Field("attributes", 4, "I", "bit 8 cleanly dismounted, bit 11 inconsistent"),
        Field("block_size", 40, "I"),
        Field("total_blocks", 44, "I"),
        Field("free_blocks", 48, "I"),
        Field("identifier", 104, "8s", "the last two words of finderInfo"),
    ),
    ">",
)

MD_MAGIC = 0xA92B4EFC

MD = Structure(
    "md superblock, version 1",
    "Linux include/uapi/linux/raid/md_p.h, mdp_superblock_1",
    256,
    (
        Field("magic", 0, "I", "0xA92B4EFC"),
        Field("major_version", 4, "I", "1"),
        Field("set_uuid", 16, "16s"),
        Field("set_name", 32, "32s"),
        Field("level", 72, "i"),
        Field("raid_disks", 92, "I"),
        Field("super_offset", 144, "Q", "where this copy stands, in sectors of 512"),
        Field("sb_csum", 216, "I"),
        Field("max_dev", 220, "I", "roles that follow, two bytes each"),
    ),
)

MD_OLD = Structure(
    "md superblock, version 0.90",
    "Linux include/uapi/linux/raid/md_p.h, mdp_superblock_s",
    64,
    (
        Field("magic", 0, "I", "0xA92B4EFC"),
        Field("major_version", 4, "I", "0"),
        Field("minor_version", 8, "I", "90"),
        Field("set_uuid0", 20, "4s"),
        Field("level", 28, "i"),
        Field("raid_disks", 40, "I"),
        Field("set_uuid_rest", 52, "12s"),
    ),
)

_LDM = "Linux block/partitions/ldm.c, ldm.h; libldm, src/ldm.c"

LDM_HEADER = Structure(
    "LDM private header",
    _LDM,
    512,
    (
        Field("magic", 0, "8s", "'PRIVHEAD'"),
        Field("group_guid", 176, "64s", "text"),
        Field("config_start", 299, "Q", "of the database, in sectors"),
    ),
    ">",
)

LDM_DATABASE = Structure(
    "LDM database",
    _LDM,
    149,
    (
        Field("magic", 0, "4s", "'VMDB'"),
        Field("last_record", 4, "I", "records, at most"),
        Field("record_bytes", 8, "I"),
        Field("record_offset", 12, "I", "of the first, in bytes from here"),
        Field("group_name", 22, "31s"),
        Field("group_guid", 53, "64s", "text"),
        Field("disks", 145, "I", "committed"),
    ),
    ">",
)

LDM_RECORD = Structure(
    "LDM database record",
    _LDM,
    24,
    (
        Field("magic", 0, "4s", "'VBLK'"),
        Field("part", 12, "H", "of a record in several parts: which"),
        Field("type", 19, "B", "0x34, 0x44: a disk"),
        Field("size", 20, "I", "of what follows"),
    ),
    ">",
)

ISO_OFFSET = 32768

ISO_9660 = Structure(
    "ISO 9660 primary volume descriptor",
    "ECMA-119, section 8.4",
    2048,
    (
        Field("type", 0, "B", "1"),
        Field("identifier", 1, "5s", "'CD001'"),
        Field("volume_identifier", 40, "32s"),
        Field("volume_space_size", 80, "I", "blocks"),
        Field("logical_block_size", 128, "H"),
    ),
)

HPFS_OFFSET = 8192

HPFS = Structure(
    "HPFS superblock and spare block",
    "Linux fs/hpfs/hpfs.h, struct hpfs_super_block, hpfs_spare_block",
    1024,
    (
        Field("magic", 0, "Q", "0xFA53E9C5F995E849"),
        Field("n_sectors", 16, "I"),
        Field("spare_magic", 512, "Q", "0xFA5229C5F9911849"),
        Field("flags", 520, "B", "bit 0 dirty"),
    ),
)
