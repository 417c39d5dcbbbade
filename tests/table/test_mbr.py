"""The master boot record: its partitions, and the sectors that only look like one."""

from __future__ import annotations

import random
import struct
from typing import TYPE_CHECKING

import pytest

from tests.table.layouts import HollowDrive, fat16_boot_sector, mbr
from verify.errors import SourceVanished, StructureError
from verify.structs.mbr import BOOT_RECORD, PARTITION_RECORD
from verify.table.mbr import MOST_EXTENDED_RECORDS
from verify.table.read import read_table

if TYPE_CHECKING:
    from verify.table.partition_table import Table

SECTORS = 100_000


def drive_of(boot: bytes, *others: tuple[int, bytes], sectors: int = SECTORS) -> HollowDrive:
    """Put a boot record at sector 0, and others at their LBA."""
    drive = HollowDrive(sectors * 512, {0: boot})
    for lba, data in others:
        drive.put(lba * 512, data)
    return drive


def read(boot: bytes, *others: tuple[int, bytes], sectors: int = SECTORS) -> Table:
    """Read such a drive, whose system says 512-byte sectors."""
    drive = drive_of(boot, *others, sectors=sectors)
    return read_table(drive, sector_bytes=512, sector_known=True)


def places(table: Table) -> list[tuple[int, int, int]]:
    """Number, start and sectors of each partition."""
    return [(p.number, p.start_lba, p.sectors) for p in table.partitions]


def boot_sector(name: bytes, **fields: tuple[int, str, int]) -> bytes:
    """Build a boot sector of fields (offset, code, value) with the name at byte 3."""
    sector = bytearray(512)
    sector[:3], sector[3:11], sector[510:] = b"\xeb\x52\x90", name, b"\x55\xaa"
    for offset, code, value in fields.values():
        struct.pack_into("<" + code, sector, offset, value)
    return bytes(sector)


NTFS = boot_sector(  # libfsntfs, "The volume header"
    b"NTFS    ", sector=(11, "H", 512), cluster=(13, "B", 8), total=(40, "Q", 9_999)
)
EXFAT = boot_sector(  # Microsoft exFAT 1.00, section 3.1
    b"EXFAT   ", length=(72, "Q", 10_000), shift=(108, "B", 9), cluster=(109, "B", 3),
    fats=(110, "B", 1),
)  # fmt: skip
BITLOCKER = boot_sector(b"-FVE-FS-")
FAT = fat16_boot_sector(SECTORS)


def with_records(sector: bytes, boot: bytes) -> bytes:
    """Put the records of one boot record into another sector."""
    return sector[:446] + boot[446:]


def test_records_when_read_then_unused_ones_are_passed_over() -> None:
    """UEFI 2.10, section 5.2.1: ignore an OSType of 0 and a SizeInLBA of 0."""
    boot = mbr(
        (0x80, 0x07, 2048, 204_800), (0, 0x00, 5, 5), (0, 0x83, 300, 0), (0, 0x27, 210_000, 64),
        signature=0x0A1B2C3D,
    )  # fmt: skip
    table = read(boot, sectors=300_000)
    assert (table.scheme, table.disk_id, table.sector_bytes) == ("mbr", "0A1B2C3D", 512)
    assert [(p.number, p.type, p.active) for p in table.partitions] == [
        (1, "07", True),
        (4, "27", False),
    ]
    assert places(table) == [(1, 2048, 204_800), (4, 210_000, 64)]
    assert table.partitions[1].type_name == "Hidden NTFS (Windows recovery)"
    assert table.mbr is not None
    assert (table.mbr.kind, table.mbr.problem, table.mbr.signature_ok) == ("classic", None, True)
    assert [(r.slot, r.type, r.size_in_lba) for r in table.mbr.records] == [
        (1, 0x07, 204_800), (2, 0x00, 5), (3, 0x83, 0), (4, 0x27, 64),
    ]  # fmt: skip
    assert table.mbr.boot_code_zero


def test_boot_code_when_any_of_its_440_bytes_is_set_then_it_is_not_zero() -> None:
    """Bytes 0 to 439 are code; the disk signature after them is not code."""
    for at, zero in ((0, False), (439, False), (440, True)):
        boot = bytearray(mbr((0, 0x83, 2048, 9)))
        boot[at] = 1
        table = read(bytes(boot))
        assert table.mbr is not None
        assert table.mbr.boot_code_zero is zero


def test_records_when_past_the_end_of_the_drive_then_they_are_listed() -> None:
    """The head of a drive tells the partitions of the whole."""
    assert places(read(mbr((0, 0x83, 2048, 999_999)), sectors=4)) == [(1, 2048, 999_999)]


def test_mbr_when_it_has_no_record_then_it_is_an_empty_table() -> None:
    """A signature alone is a table without partitions."""
    table = read(mbr(signature=7))
    assert table.mbr is not None
    assert (table.scheme, table.mbr.kind, table.partitions) == ("mbr", "empty", ())
    assert table.disk_id == "00000007"


@pytest.mark.parametrize("sector", [bytes(512), mbr((0, 7, 63, 9), end=b"\x55\xab")])
def test_drive_when_sector_0_is_not_signed_then_it_is_one_partition(sector: bytes) -> None:
    """No 55 AA, no table: the drive is partition 0, whatever lies in it."""
    table = read(sector)
    assert table.mbr is not None
    assert (table.scheme, table.mbr.kind, table.disk_id) == ("none", "none", None)
    assert places(table) == [(0, 0, SECTORS)]
    assert (table.partitions[0].type, table.partitions[0].type_name) == ("", "")
    assert (table.problems, table.ambiguous) == ((), ())


@pytest.mark.parametrize(
    ("sector", "kind"),
    [(FAT, "fat"), (NTFS, "ntfs"), (EXFAT, "exfat"), (BITLOCKER, "bitlocker")],
)
@pytest.mark.parametrize(
    "records",
    [
        bytes(64),
        b"Invented text, where other systems keep their records: no disk.",
        mbr((0x80, 0x01, 0, SECTORS))[446:510],
        mbr((0, 0x07, 2048, SECTORS))[446:510],
        mbr((0, 0x07, 2048, 500), (0, 0x07, 2547, 500))[446:510],
        mbr((0, 0x07, 2048, 500), (0x11, 0, 0, 0))[446:510],
    ],
    ids=["none", "text", "over-itself", "past-the-end", "overlapping", "odd-indicator"],
)
def test_boot_sector_of_a_volume_when_its_records_are_none_then_there_is_no_table(
    sector: bytes, kind: str, records: bytes
) -> None:
    """A filesystem's boot sector ends in 55 AA too; blkid -p tells such drives by their volume."""
    table = read(sector[:446] + records.ljust(64)[:64] + b"\x55\xaa")
    assert table.mbr is not None
    assert (table.scheme, table.mbr.kind, table.mbr.boot_sector_of) == ("none", "none", kind)
    assert places(table) == [(0, 0, SECTORS)]
    assert (table.ambiguous, table.problems) == ((), ())


@pytest.mark.parametrize("sector", [FAT, NTFS, EXFAT, BITLOCKER])
def test_boot_sector_of_a_volume_when_its_records_are_plausible_then_it_is_ambiguous(
    sector: bytes,
) -> None:
    """Both readings have evidence: the table is followed, and the contradiction is reported."""
    boot = mbr((0x80, 0x07, 2048, 500), (0, 0x83, 2548, 500))
    table = read(with_records(sector, boot))
    assert (table.scheme, places(table)) == ("mbr", [(1, 2048, 500), (2, 2548, 500)])
    assert len(table.ambiguous) == 1
    assert "Sector 0 is a partition table and a " in table.ambiguous[0]


@pytest.mark.parametrize(
    ("offset", "value"),
    [
        (0, b"\x33"), (11, b"\x00\x03"), (11, b"\x00\x01"), (13, b"\x03"), (13, b"\x00"),
        (14, b"\0\0"), (16, b"\0"), (21, b"\x12"), (22, b"\0\0"), (32, b"\0\0\0\0"),
    ],
)  # fmt: skip
def test_boot_sector_when_a_parameter_is_impossible_then_it_is_no_volume(
    offset: int, value: bytes
) -> None:
    """Each field of a FAT boot sector has its bounds (Microsoft FAT 1.03); code may break them."""
    sector = bytearray(FAT)
    sector[offset : offset + len(value)] = value
    table = read(with_records(bytes(sector), mbr((0, 0x07, 2048, 500))))
    assert table.mbr is not None
    assert table.mbr.boot_sector_of is None
    assert (table.scheme, table.ambiguous, len(table.partitions)) == ("mbr", (), 1)


def test_records_when_none_has_a_known_boot_indicator_then_there_is_no_table() -> None:
    """Linux takes no such sector for a table (block/partitions/msdos.c)."""
    table = read(mbr((0x20, 0x07, 2048, 500), (0x41, 0x83, 9000, 500)))
    assert table.mbr is not None
    assert (table.scheme, table.mbr.kind) == ("none", "none")
    assert places(table) == [(0, 0, SECTORS)]


def test_records_when_one_boot_indicator_is_damaged_then_the_table_stands() -> None:
    """The other record is sound, so both are reported, and the damage too."""
    table = read(mbr((0x90, 0x07, 2048, 500), (0, 0x83, 9000, 500)))
    assert places(table) == [(1, 2048, 500), (2, 9000, 500)]
    assert table.mbr is not None
    assert table.mbr.problem == "Record 1 has the boot indicator 90; it should be 00 or 80."


@pytest.mark.parametrize("container", [0x05, 0x0F, 0x85])
def test_logical_partitions_when_chained_then_each_counts_from_its_own_record(
    container: int,
) -> None:
    """A logical start is relative to its record, the next record to the first (Linux)."""
    table = read(
        mbr((0, 0x83, 63, 900), (0, container, 10_000, 50_000)),
        (10_000, mbr((0, 0x07, 63, 5_000), (0, 0x05, 6_000, 9_000))),
        (16_000, mbr((0, 0x83, 128, 8_000), (0, 0x05, 20_000, 4_000))),
        (30_000, mbr((0x80, 0x82, 1, 3_999))),
    )
    assert places(table) == [
        (1, 63, 900),
        (2, 10_000, 50_000),
        (5, 10_063, 5_000),
        (6, 16_128, 8_000),
        (7, 30_001, 3_999),
    ]
    assert [p.container for p in table.partitions] == [False, True, False, False, False]
    assert [p.record_lba for p in table.partitions] == [0, 0, 10_000, 16_000, 30_000]
    assert [p.active for p in table.partitions] == [False, False, False, False, True]
    assert table.problems == ()


def test_logical_partitions_when_a_record_holds_only_a_link_then_the_chain_goes_on() -> None:
    """A deleted logical partition leaves its record; the next one takes its number."""
    table = read(
        mbr((0, 0x05, 10_000, 50_000)),
        (10_000, mbr((0, 0, 0, 0), (0, 0x05, 6_000, 9_000))),
        (16_000, mbr((0, 0x83, 128, 8_000))),
    )
    assert places(table) == [(1, 10_000, 50_000), (5, 16_128, 8_000)]


@pytest.mark.parametrize(("target", "lba"), [(0, 10_000), (6_000, 16_000)])
def test_logical_partitions_when_the_chain_loops_then_it_ends_there(target: int, lba: int) -> None:
    """Each record is visited once."""
    table = read(
        mbr((0, 0x05, 10_000, 50_000)),
        (10_000, mbr((0, 0x83, 63, 5_000), (0, 0x05, 6_000, 9_000))),
        (16_000, mbr((0, 0x83, 63, 5_000), (0, 0x05, target, 9_000))),
    )
    assert [p.number for p in table.partitions] == [1, 5, 6]
    assert table.problems == (f"The chain of logical partitions comes back to LBA {lba}.",)


def test_logical_partitions_when_there_are_too_many_then_the_bound_is_told() -> None:
    """A chain is followed so far and no further."""
    records = [(1_000 + 10 * i, mbr((0, 0x83, 1, 9), (0, 5, 10 * i + 10, 10))) for i in range(200)]
    table = read(mbr((0, 0x05, 1_000, 50_000)), *records)
    assert len(table.partitions) == 1 + MOST_EXTENDED_RECORDS
    assert table.problems == ("More than 128 extended boot records are not followed.",)


@pytest.mark.parametrize(
    "sector",
    [
        bytes(512),
        FAT,
        with_records(FAT, mbr((0, 0x83, 63, 50))),
        random.Random(1).randbytes(510) + b"\x55\xaa",
    ],
    ids=["zero", "volume", "volume-with-records", "garbage"],
)
def test_logical_partitions_when_the_record_is_none_then_the_container_stands(
    sector: bytes,
) -> None:
    """What is no extended boot record names no partitions, and that is reported."""
    table = read(mbr((0, 0x05, 10_000, 50_000)), (10_000, sector))
    assert places(table) == [(1, 10_000, 50_000)]
    assert table.problems == ("The sector at LBA 10000 is no extended boot record.",)


def test_logical_partitions_when_a_record_lies_outside_then_it_is_followed_and_told() -> None:
    """A link out of its container is a fault; what it names is not hidden."""
    table = read(
        mbr((0, 0x05, 10_000, 5_000)),
        (10_000, mbr((0, 0x83, 63, 900), (0, 0x05, 8_000, 900))),
        (18_000, mbr((0, 0x83, 63, 800))),
    )
    assert places(table)[1:] == [(5, 10_063, 900), (6, 18_063, 800)]
    assert table.problems == ("The extended boot record at LBA 18000 lies outside its partition.",)


def test_logical_partitions_when_the_chain_leaves_the_drive_then_that_is_told() -> None:
    """A head of a drive holds no extended boot record: the container is listed, the rest told."""
    table = read(mbr((0, 0x0F, 10_000, 5_000)), sectors=2_000)
    assert places(table) == [(1, 10_000, 5_000)]
    assert table.problems == (
        "The extended boot record at LBA 10000 lies past the drive's last LBA 1999.",
    )


def test_logical_partitions_when_in_records_3_and_4_then_only_those_inside_count() -> None:
    """Linux takes them from there if they lie in the container (block/partitions/msdos.c)."""
    extended = mbr((0, 0, 0, 0), (0, 0, 0, 0), (0, 0x83, 63, 900), (0, 0x83, 63, 90_000))
    table = read(mbr((0, 0x05, 10_000, 5_000)), (10_000, extended))
    assert places(table)[1:] == [(5, 10_063, 900)]


def test_extended_partitions_when_there_are_two_then_both_are_followed_and_told() -> None:
    """One is allowed; Linux follows each."""
    table = read(
        mbr((0, 0x05, 10_000, 5_000), (0, 0x0F, 20_000, 5_000)),
        (10_000, mbr((0, 0x83, 63, 900))),
        (20_000, mbr((0, 0x83, 63, 800))),
    )
    assert places(table)[2:] == [(5, 10_063, 900), (6, 20_063, 800)]
    assert table.problems == ("The boot record names 2 extended partitions; one is allowed.",)


def test_extended_boot_record_when_it_cannot_be_read_then_that_is_told() -> None:
    """Bad sectors end the chain with a sentence; a drive that is gone ends everything."""
    drive = drive_of(mbr((0, 0x83, 63, 900), (0, 0x05, 10_000, 5_000)))
    drive.bad = ((10_000 * 512, 10_001 * 512),)
    table = read_table(drive, sector_bytes=512, sector_known=True)
    assert places(table) == [(1, 63, 900), (2, 10_000, 5_000)]
    assert table.problems == (
        "The extended boot record at LBA 10000 cannot be read: bad sectors of a test.",
    )
    for survived in range(len(drive.reads)):
        drive.reads.clear()
        drive.vanishes = survived
        with pytest.raises(SourceVanished):
            read_table(drive, sector_bytes=512, sector_known=True)


def ntfs_of(sectors: int) -> bytes:
    """An NTFS boot sector in 4,096-byte sectors for a partition of that many (one is its copy)."""
    return boot_sector(
        b"NTFS    ", sector=(11, "H", 4096), cluster=(13, "B", 1), total=(40, "Q", sectors - 1)
    )


@pytest.mark.parametrize("known", [False, True])
def test_mbr_when_its_volumes_lie_in_4096_byte_units_then_it_was_written_for_them(
    *, known: bool
) -> None:
    """256 x 4,096 is 1 MiB, where the volume begins; at 256 x 512 there is nothing."""
    drive = HollowDrive(64 << 20, {0: mbr((0, 0x07, 256, 4_000)), 256 * 4096: ntfs_of(4_000)})
    table = read_table(drive, sector_bytes=512, sector_known=known)
    assert (table.sector_bytes, table.written_for) == (4096, 4096)
    assert (places(table), table.ambiguous) == ([(1, 256, 4_000)], ())
    own = read_table(drive, sector_bytes=4096, sector_known=True)
    assert (own.sector_bytes, own.written_for) == (4096, None)


def test_mbr_when_a_4096_byte_chain_is_extended_then_it_is_followed_in_its_units() -> None:
    """An extended boot record where the container points is evidence as well."""
    drive = HollowDrive(64 << 20, {0: mbr((0, 0x05, 256, 4_000))})
    drive.put(256 * 4096, mbr((0, 0x83, 16, 900), (0, 0x05, 1_000, 950)))
    drive.put(1_256 * 4096, mbr((0, 0x83, 16, 900)))
    table = read_table(drive, sector_bytes=512, sector_known=True)
    assert table.written_for == 4096
    assert places(table) == [(1, 256, 4_000), (5, 272, 900), (6, 1_272, 900)]


@pytest.mark.parametrize(
    ("at", "volume"),
    [
        (256 * 512, NTFS),
        (256 * 4096, NTFS),
        (256 * 4096, ntfs_of(400_000)),
        (300 * 4096, ntfs_of(4_000)),
    ],
    ids=["its-own", "fits-512-as-well", "fits-neither", "elsewhere"],
)
def test_mbr_when_4096_byte_units_are_not_proven_then_the_drives_own_stand(
    at: int, volume: bytes
) -> None:
    """A volume further in may be a remnant: its size must fit in those units and no others."""
    drive = HollowDrive(64 << 20, {0: mbr((0, 0x07, 256, 10_000)), at: volume})
    table = read_table(drive, sector_bytes=512, sector_known=False)
    assert (table.sector_bytes, table.written_for, table.ambiguous) == (512, None, ())


def test_mbr_when_both_units_have_evidence_then_it_is_ambiguous() -> None:
    """Volumes begin where the record points in either unit: told, not guessed."""
    drive = HollowDrive(64 << 20, {0: mbr((0, 0x07, 256, 4_000)), 256 * 4096: ntfs_of(4_000)})
    drive.put(256 * 512, NTFS)
    table = read_table(drive, sector_bytes=512, sector_known=True)
    assert (table.sector_bytes, table.written_for) == (512, None)
    assert table.ambiguous == (
        "The boot record points at volumes in sectors of 512 and in 4096 bytes alike.",
    )


@pytest.mark.parametrize(
    ("offset", "magic"),
    [
        (0, b"LUKS\xba\xbe"), (3, b"ReFS\0\0\0\0"), (536, b"LVM2 001"), (32, b"NXSB"),
        (1024, b"H+\0\4"), (4086, b"SWAPSPACE2"), (65_600, b"_BHRfS_M"),
        (1024 + 4, struct.pack("<I48xH", 20_000, 0xEF53)),
        (0, b"XFSB" + struct.pack(">IQ", 4096, 4_000)),
    ],
)  # fmt: skip
def test_mbr_when_another_volume_lies_in_4096_byte_units_then_it_is_evidence_too(
    offset: int, magic: bytes
) -> None:
    """Signatures of util-linux's superblock tables and the kernel's ext4 page; sizes in blocks."""
    drive = HollowDrive(64 << 20, {0: mbr((0, 0x83, 256, 5_000)), 256 * 4096 + offset: magic})
    table = read_table(drive, sector_bytes=512, sector_known=True)
    assert table.written_for == 4096


def test_structures_when_too_short_then_they_name_themselves() -> None:
    """511 bytes are no boot record, 15 no partition record."""
    with pytest.raises(StructureError, match=r"master boot record .* 511 bytes"):
        BOOT_RECORD.parse(bytes(511))
    with pytest.raises(StructureError, match=r"MBR partition record .* 15 bytes"):
        PARTITION_RECORD.parse(bytes(15))


def test_drive_when_smaller_than_a_sector_then_nothing_is_claimed() -> None:
    """There is no boot record in 100 bytes."""
    table = read_table(HollowDrive(100), sector_bytes=512, sector_known=False)
    assert (table.scheme, table.mbr, places(table)) == ("none", None, [(0, 0, 0)])
    assert table.problems == ("The boot record at LBA 0 lies past the drive's last LBA -1.",)
