"""A whole drive with a GPT: its partitions, its two copies, and what contradicts them."""

from __future__ import annotations

import zlib
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.table.layouts import (
    BASIC,
    DISK_GUID,
    LINUX,
    Entry,
    GptDrive,
    HollowDrive,
    fat16_boot_sector,
    mbr,
    protective,
)
from verify.errors import SourceVanished
from verify.table.read import read_table

if TYPE_CHECKING:
    from verify.table.partition_table import Table

ESP = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
MSR = "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"
RECOVERY = "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC"
PROTECTED = 0x8000000000000001
"""Bits 63 and 0: Microsoft Learn, "UEFI/GPT-based hard drive partitions", recovery tools."""

OTHER_GUID = "11111111-2222-4333-8444-555555555555"


def read(drive: HollowDrive) -> Table:
    """Read a drive whose system says 512-byte sectors."""
    return read_table(drive, sector_bytes=512, sector_known=True)


def read_image(drive: HollowDrive) -> Table:
    """Read an image, which says nothing of its sectors."""
    return read_table(drive, sector_bytes=512, sector_known=False)


def small(**changes: object) -> GptDrive:
    """A drive of 4,096 sectors with one partition, some of its parts replaced."""
    made = GptDrive(4096, {1: Entry(100, 199, LINUX)})
    for name, value in changes.items():
        setattr(made, name, value)
    return made


def test_five_partitions_when_laid_out_for_500_gb_then_each_is_told_as_stored() -> None:
    """Sectors by arithmetic on MiB; 976,773,168 sectors is the 500 GB count of IDEMA LBA1-02."""
    mib = 2048
    entries = {
        1: Entry(2_048, 534_527, ESP, name="EFI system partition", attributes=PROTECTED),
        2: Entry(534_528, 567_295, MSR, name="Microsoft reserved partition"),
        3: Entry(567_296, 971_319_295, BASIC, name="Basic data partition"),
        4: Entry(971_319_296, 973_367_295, RECOVERY, attributes=PROTECTED),
        5: Entry(973_367_296, 976_439_295, BASIC, guid=OTHER_GUID, name="Ersatz für Müller 備份"),
    }
    table = read(GptDrive(976_773_168, entries).build())
    assert (table.scheme, table.used, table.arrays_equal) == ("gpt", "primary", True)
    assert (table.problems, table.ambiguous) == ((), ())
    assert table.primary is not None
    assert table.primary.last_usable_lba == 976_773_134
    assert [(p.number, p.start_lba, p.sectors) for p in table.partitions] == [
        (1, 2_048, 260 * mib),
        (2, 534_528, 16 * mib),
        (3, 567_296, 474_000 * mib),
        (4, 971_319_296, 1_000 * mib),
        (5, 973_367_296, 1_500 * mib),
    ]
    assert [p.type_name for p in table.partitions] == [
        "EFI system",
        "Microsoft reserved",
        "Microsoft basic data",
        "Windows recovery",
        "Microsoft basic data",
    ]
    assert [p.type for p in table.partitions] == [ESP, MSR, BASIC, RECOVERY, BASIC]
    assert [p.attributes for p in table.partitions] == [PROTECTED, 0, 0, PROTECTED, 0]
    assert table.partitions[4].name == "Ersatz für Müller 備份"
    assert table.partitions[4].guid == OTHER_GUID
    assert [p.record_lba for p in table.partitions] == [2, 2, 2, 2, 3]
    assert not any(p.active or p.container for p in table.partitions)


def test_attributes_when_stored_then_the_first_byte_is_the_lowest() -> None:
    """Bytes 01 00 00 00 00 00 00 80 are bits 0 and 63 (UEFI 2.10, section 5.3.3)."""
    made = small()
    array = bytearray(made.array)
    array[48:56] = bytes.fromhex("0100000000000080")
    made.array = bytes(array)
    made.primary = replace(made.primary, entries_crc=zlib.crc32(array))
    assert read(made.build()).partitions[0].attributes == PROTECTED


@pytest.mark.parametrize(
    ("stored", "told"),
    [
        (b"", ""),
        ("x" * 36, "x" * 36),
        ("until\0here", "until"),
        (b"\x41\x00\x3d\xd8\x42\x00", "A\ud83dB"),
        (b"\x00\xdc", "\udc00"),
        ("😀", "😀"),
    ],
)
def test_name_when_stored_then_it_ends_at_a_zero_and_keeps_what_is_no_text(
    stored: str | bytes, told: str
) -> None:
    """36 UTF-16 units (UEFI 2.10, section 5.3.3); a lone surrogate is kept, not refused."""
    made = GptDrive(4096, {9: Entry(100, 199, name=stored)})
    (partition,) = read(made.build()).partitions
    assert (partition.number, partition.name) == (9, told)


def test_entries_when_past_the_end_or_backward_then_they_are_listed() -> None:
    """The table is reported as it stands; an entry that ends before it begins has no sectors."""
    made = GptDrive(4096, {1: Entry(100, 99_999), 2: Entry(500, 400), 3: Entry(0, 2**64 - 1)})
    table = read(made.build())
    assert [(p.start_lba, p.sectors) for p in table.partitions] == [
        (100, 99_900),
        (500, 0),
        (0, 2**64),
    ]
    assert table.problems == ("1 partition ends before it begins: 2.",)


def test_larger_drive_when_the_backup_was_left_in_the_middle_then_it_is_found_there() -> None:
    """UEFI 2.10, section 5.3.2: on a grown drive the backup belongs at the new last LBA."""
    table = read(small().build(size_bytes=10_000 * 512))
    assert table.used == "primary"
    assert table.backup is not None
    assert (table.backup.at_lba, table.backup_expected_lba) == (4095, 9999)
    assert (table.backup.problem, table.arrays_equal) == (None, True)
    assert table.mbr is not None
    assert table.mbr.problem == (
        "The protective record covers 4095 sectors; it should be 9999 on this drive."
    )


def test_larger_drive_when_the_primary_is_lost_too_then_the_protective_record_leads() -> None:
    """The protective record still covers the old drive, whose last sector holds the backup."""
    drive = small().build(size_bytes=10_000 * 512)
    drive.put(512, bytes(512))
    table = read(drive)
    assert table.used == "backup"
    assert table.backup is not None
    assert table.backup.at_lba == 4095
    assert [p.start_lba for p in table.partitions] == [100]


def test_shorter_image_when_the_end_is_cut_off_then_the_primary_still_tells_all() -> None:
    """A head of a drive lists its partitions; that the backup lies past the end is reported."""
    table = read_image(small().build(size_bytes=3_000 * 512))
    assert (table.used, len(table.partitions)) == ("primary", 1)
    assert table.problems == (
        "The backup GPT header at LBA 4095 lies past the drive's last LBA 2999.",
    )


@pytest.mark.parametrize("which", ["array", "backup_array"])
def test_one_array_when_damaged_then_the_other_copy_is_used(which: str) -> None:
    """A copy counts only with its array's CRC right (UEFI 2.10, section 5.3.2)."""
    array = bytearray(small().array)
    array[40] ^= 1
    table = read(small(**{which: bytes(array)}).build())
    assert table.used == ("backup" if which == "array" else "primary")
    assert table.partitions[0].sectors == 100
    assert table.arrays_equal is False
    assert table.ambiguous == ()


def test_both_arrays_when_damaged_then_the_partitions_are_still_told() -> None:
    """Firmware sees none; a checker must not hide what stands there."""
    array = bytearray(small().array)
    array[56] ^= 1
    table = read(small(array=bytes(array), backup_array=bytes(array)).build())
    assert (table.used, len(table.partitions)) == ("primary", 1)
    assert table.primary is not None
    assert table.primary.entries_problem is not None
    assert table.arrays_equal is True


def test_copies_when_both_intact_but_different_then_it_is_ambiguous() -> None:
    """Two good copies that say different things contradict each other; the primary is followed."""
    other = GptDrive(4096, {1: Entry(100, 299, LINUX)})
    made = small(
        backup=replace(other.backup, disk_guid=OTHER_GUID), backup_array=other.backup_array
    )
    table = read(made.build())
    assert (table.used, table.partitions[0].sectors, table.arrays_equal) == ("primary", 100, False)
    assert table.ambiguous == (
        f"Both GPT copies are intact but name different disk GUIDs: {DISK_GUID} and {OTHER_GUID}.",
        "Both GPT copies are intact but list different partitions.",
    )


def test_backup_when_another_table_left_one_at_the_end_then_it_is_ambiguous() -> None:
    """The primary's own backup is kept; the stranger at the last LBA is named."""
    stranger = GptDrive(10_000)
    drive = small().build(size_bytes=10_000 * 512)
    drive.put(9_999 * 512, replace(stranger.backup, disk_guid=OTHER_GUID).pack())
    table = read(drive)
    assert table.backup is not None
    assert table.backup.at_lba == 4095
    assert table.ambiguous == ("Backup headers of two different GPTs stand at LBA 4095 and 9999.",)


def test_protective_mbr_when_both_headers_are_lost_then_no_partition_is_invented() -> None:
    """It is still a GPT drive, and that its table is gone is reported."""
    table = read(HollowDrive(4096 * 512, {0: protective(4096)}))
    assert (table.scheme, table.disk_id, table.used, table.partitions) == ("gpt", None, None, ())
    assert table.problems == ("Neither copy of the GPT can be used: its partitions are not known.",)
    assert table.primary is not None
    assert not table.primary.signature_ok


@pytest.mark.parametrize(
    ("record", "problem"),
    [
        ((0, 0xEE, 1, 4095), None),
        ((0, 0xEE, 1, 0xFFFFFFFF), None),
        ((0x80, 0xEE, 1, 4095), None),
        ((0, 0xEE, 1, 4094), "The protective record covers 4094 sectors; it should be 4095"),
        ((0, 0xEE, 0, 4096), "The protective record starts at LBA 0, not 1."),
        ((0x12, 0xEE, 1, 4095), "Record 1 has the boot indicator 12"),
    ],
)
def test_protective_record_when_checked_then_only_the_standards_sizes_pass(
    record: tuple[int, int, int, int], problem: str | None
) -> None:
    """UEFI 2.10, section 5.2.3: LBA 1, size less one or FFFFFFFF."""
    table = read(small(boot=mbr(record)).build())
    assert (table.scheme, table.used) == ("gpt", "primary")
    assert table.mbr is not None
    assert table.mbr.kind == "protective"
    assert (table.mbr.problem or "").startswith(problem or "")
    assert (table.mbr.problem is None) is (problem is None)


def test_protective_record_when_the_drive_is_too_large_for_it_then_ffffffff_is_right() -> None:
    """2^32 sectors and more do not fit SizeInLBA (UEFI 2.10, section 5.2.3)."""
    table = read(GptDrive(5_000_000_000, {1: Entry(2048, 4_999_999_000)}).build())
    assert table.mbr is not None
    assert (table.mbr.problem, table.problems) == (None, ())
    assert table.partitions[0].sectors == 4_999_999_000 - 2048 + 1


def test_hybrid_mbr_when_the_gpt_is_sound_then_the_gpt_decides() -> None:
    """0xEE beside another record is a hybrid; its records are kept, its partitions the GPT's."""
    boot = mbr((0, 0xEE, 1, 99), (0x80, 0x07, 100, 100))
    table = read(small(boot=boot).build())
    assert table.mbr is not None
    assert (table.scheme, table.mbr.kind, table.mbr.problem) == ("gpt", "hybrid", None)
    assert [p.guid for p in table.partitions] == ["00000000-0000-4000-8000-000000000001"]
    assert [(r.slot, r.type) for r in table.mbr.records if r.type] == [(1, 0xEE), (2, 0x07)]


def test_hybrid_mbr_when_the_gpt_is_lost_then_its_other_records_are_told() -> None:
    """What is left names partitions, and hides none of them."""
    boot = mbr((0, 0xEE, 1, 99), (0x80, 0x07, 100, 100))
    table = read(HollowDrive(4096 * 512, {0: boot}))
    assert (table.scheme, [(p.number, p.type) for p in table.partitions]) == ("mbr", [(2, "07")])
    assert "names a GPT that cannot be read" in table.problems[0]


def test_stale_gpt_when_the_mbr_has_real_records_then_the_mbr_decides() -> None:
    """UEFI 2.10, section 5.2.3: a GPT counts only beside a record of type 0xEE."""
    boot = mbr((0, 0x07, 2048, 1000), signature=0xCAFE0123)
    table = read(small(boot=boot).build())
    assert (table.scheme, table.disk_id, table.stale_gpt) == ("mbr", "CAFE0123", True)
    assert [(p.number, p.start_lba, p.sectors) for p in table.partitions] == [(1, 2048, 1000)]
    assert table.primary is not None
    assert (table.primary.disk_guid, table.used) == (DISK_GUID, None)


@pytest.mark.parametrize("boot", [bytes(512), mbr()])
def test_gpt_when_sector_0_names_nothing_then_it_is_told_with_its_fault(boot: bytes) -> None:
    """Systems do not see it; nothing contradicts it; a checker tells it."""
    table = read(small(boot=boot).build())
    assert (table.scheme, table.used, table.stale_gpt) == ("gpt", "primary", False)
    assert len(table.partitions) == 1
    assert table.problems == (
        "The boot record has no protective record (type EE): systems do not see this GPT.",
    )


def test_gpt_when_a_whole_drive_volume_replaced_it_then_the_backup_is_stale() -> None:
    """Formatting a drive whole overwrites the primary and leaves the backup at the end."""
    drive = small(boot=fat16_boot_sector(4096)).build()
    drive.put(512, bytes(512))
    table = read(drive)
    assert (table.scheme, table.stale_gpt, table.disk_id) == ("none", True, None)
    assert [(p.number, p.start_lba, p.sectors) for p in table.partitions] == [(0, 0, 4096)]


def test_gpt_when_a_whole_drive_volume_stands_beside_it_then_it_is_ambiguous() -> None:
    """Both a boot sector and a primary header: one of them is a remnant, and nothing says which."""
    table = read(small(boot=fat16_boot_sector(4096)).build())
    assert table.scheme == "gpt"
    assert table.ambiguous == ("A GPT and a volume over the whole drive (fat) both begin here.",)


def test_table_when_written_in_4096_byte_sectors_then_an_image_shows_it() -> None:
    """'EFI PART' at byte 4096; 16,384 bytes of entries are 4 sectors; first usable LBA 6."""
    made = GptDrive(4096, {1: Entry(256, 511)}, sector_bytes=4096)
    table = read_image(made.build())
    assert (table.sector_bytes, table.written_for, table.used) == (4096, None, "primary")
    assert table.primary is not None
    assert table.primary.first_usable_lba == 6
    assert (table.backup_expected_lba, table.arrays_equal) == (4095, True)
    assert [(p.start_lba, p.sectors) for p in table.partitions] == [(256, 256)]
    assert table.mbr is not None
    assert (table.problems, table.mbr.problem) == ((), None)


@pytest.mark.parametrize(("written", "claimed"), [(4096, 512), (512, 4096)])
def test_table_when_written_through_an_adapter_then_it_is_read_as_it_was_written(
    written: int, claimed: int
) -> None:
    """A header for other sectors than the drive's own: told, and followed in its own units."""
    made = GptDrive(4096, {1: Entry(256, 511)}, sector_bytes=written)
    table = read_table(made.build(), sector_bytes=claimed, sector_known=True)
    assert (table.scheme, table.sector_bytes, table.written_for) == ("gpt", written, written)
    assert (table.used, len(table.partitions)) == ("primary", 1)
    own = read_table(made.build(), sector_bytes=written, sector_known=True)
    assert (own.sector_bytes, own.written_for) == (written, None)


def test_table_when_only_the_backup_is_left_then_its_place_tells_the_sector_size() -> None:
    """The last 4,096-byte sector holds the backup; byte 4096 is lost."""
    drive = GptDrive(4096, {1: Entry(256, 511)}, sector_bytes=4096).build()
    drive.put(4096, bytes(4096))
    table = read_image(drive)
    assert (table.sector_bytes, table.used, len(table.partitions)) == (4096, "backup", 1)


def test_image_when_headers_for_both_sizes_are_valid_then_it_is_ambiguous() -> None:
    """Two good headers in different sectors contradict each other; the more whole one is read."""
    drive = GptDrive(4096, {1: Entry(256, 511)}, sector_bytes=4096).build()
    drive.put(512, GptDrive(32_768).primary.pack())
    table = read_image(drive)
    assert table.ambiguous == (
        "Valid GPT headers stand here for sectors of 512 bytes and of 4096 bytes.",
    )
    assert (table.sector_bytes, table.used) == (4096, "primary")
    device = read_table(drive, sector_bytes=512, sector_known=True)
    assert (device.sector_bytes, device.ambiguous) == (512, table.ambiguous)


def test_image_when_the_other_sizes_header_is_damaged_then_it_is_a_remnant() -> None:
    """A header that fails its tests contradicts nothing."""
    drive = GptDrive(4096, {1: Entry(256, 511)}, sector_bytes=4096).build()
    drive.put(512, b"EFI PART")
    table = read_image(drive)
    assert (table.sector_bytes, table.ambiguous) == (4096, ())
    assert table.problems == ("A damaged GPT header for sectors of 512 bytes stands here too.",)


@pytest.mark.parametrize(
    ("lba", "used", "told"),
    [
        (0, "primary", "The boot record at LBA 0 cannot be read"),
        (1, "backup", "The primary GPT header at LBA 1 cannot be read"),
        (20, "backup", "The primary GPT entry array at LBA 2 cannot be read"),
        (4080, "primary", "The backup GPT entry array at LBA 4063 cannot be read"),
        (4095, "primary", "The backup GPT header at LBA 4095 cannot be read"),
    ],
)
def test_table_when_a_sector_cannot_be_read_then_the_rest_stands(
    lba: int, used: str, told: str
) -> None:
    """Bad sectors are reported, never raised, and the other copy serves."""
    drive = small().build()
    drive.bad = ((lba * 512, lba * 512 + 512),)
    table = read(drive)
    assert (table.scheme, table.used, len(table.partitions)) == ("gpt", used, 1)
    assert any(problem.startswith(told) for problem in table.problems)


def test_table_when_nothing_can_be_read_then_that_is_all_it_says() -> None:
    """No table is claimed, and each reading that failed is named."""
    drive = small().build()
    drive.bad = ((0, drive.size_bytes),)
    table = read(drive)
    assert (table.scheme, table.mbr, table.disk_id) == ("none", None, None)
    assert [problem.split(" at ")[0] for problem in table.problems] == [
        "The boot record",
        "The primary GPT header",
        "The backup GPT header",
    ]


def test_drive_when_it_vanishes_at_any_reading_then_that_is_raised() -> None:
    """Fail the first read, the second, and so on until the run ends clean."""
    whole = small().build()
    read(whole)
    assert len(whole.reads) > 5
    for survived in range(len(whole.reads)):
        drive = small().build()
        drive.vanishes = survived
        with pytest.raises(SourceVanished):
            read(drive)
