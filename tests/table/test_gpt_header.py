"""One GPT header and its entry array: every field, every test it must pass."""

from __future__ import annotations

import random
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.table.layouts import DISK_GUID, Entry, GptDrive, Header, HollowDrive
from verify.errors import StructureError
from verify.structs.gpt import HEADER, PARTITION_ENTRY, guid_text
from verify.table.gpt import GptCopy, parse_header, read_copy
from verify.table.read import read_table
from verify.table.sectors import Sectors

if TYPE_CHECKING:
    from verify.table.partition_table import Table

# The empty 4 GiB GPT drive below was accepted as it stands by sfdisk --verify, sgdisk -v and
# blkid (util-linux 2.38.1, gptfdisk 1.0.9); its layout is UEFI 2.10, section 5.3.2.
EMPTY_SECTORS = 8_388_608
EMPTY_PROTECTIVE_RECORD = bytes.fromhex("00000200eeffffff01000000ffff7f00")
EMPTY_PRIMARY = bytes.fromhex(
    "4546492050415254000001005c0000000448feee000000000100000000000000ffff7f0000000000"
    "2200000000000000deff7f000000000006a7697ca5eddd11bc09001e4ce28b8f0200000000000000"
    "800000008000000086d254ab"
)


def empty_drive() -> HollowDrive:
    """Put the published bytes on a drive; the backup is the primary with its places swapped."""
    backup = bytearray(EMPTY_PRIMARY)
    backup[24:32], backup[32:40] = EMPTY_PRIMARY[32:40], EMPTY_PRIMARY[24:32]
    backup[72:80] = (8_388_575).to_bytes(8, "little")
    backup[16:20] = (0x3FB30308).to_bytes(4, "little")
    return HollowDrive(
        EMPTY_SECTORS * 512,
        {
            446: EMPTY_PROTECTIVE_RECORD,
            510: b"\x55\xaa",
            512: EMPTY_PRIMARY,
            (EMPTY_SECTORS - 1) * 512: bytes(backup),
        },
    )


def read(drive: HollowDrive) -> Table:
    """Read a drive whose system says 512-byte sectors."""
    return read_table(drive, sector_bytes=512, sector_known=True)


def copy_of(header: Header, array: bytes = bytes(16_384), sectors: int = 2048) -> GptCopy:
    """Read a primary header placed at LBA 1, its array where it says."""
    drive = HollowDrive(sectors * 512, {512: header.pack()})
    drive.put(header.entries_lba * 512, array)
    copy = read_copy(Sectors(drive, 512), 1, "primary")
    assert copy is not None
    return copy


EMPTY_ARRAY_CRC = 0xAB54D286  # CRC-32 of 16,384 zero bytes: zlib.crc32(bytes(16384))
GOOD = Header(1, 2047, 34, 2014, 2, EMPTY_ARRAY_CRC)


def test_empty_gpt_when_read_then_every_field_and_all_four_crcs_agree() -> None:
    """The published bytes give the published values, and nothing is wrong with them."""
    table = read(empty_drive())
    primary, backup = table.primary, table.backup
    assert primary is not None
    assert backup is not None
    assert (table.scheme, table.used, table.disk_id) == ("gpt", "primary", DISK_GUID)
    assert (table.sector_bytes, table.written_for, table.arrays_equal) == (512, None, True)
    assert (table.partitions, table.problems, table.ambiguous) == ((), (), ())
    assert table.backup_expected_lba == 8_388_607
    assert table.mbr is not None
    assert (table.mbr.kind, table.mbr.problem, table.mbr.disk_signature) == (
        "protective",
        None,
        "00000000",
    )
    for header, crc, at, alternate, entries in (
        (primary, 0xEEFE4804, 1, 8_388_607, 2),
        (backup, 0x3FB30308, 8_388_607, 1, 8_388_575),
    ):
        assert header.signature_ok
        assert (header.problem, header.entries_problem, header.remarks) == (None, None, ())
        assert (header.header_crc32.stored, header.header_crc32.computed) == (crc, crc)
        assert header.entries_crc32.stored == EMPTY_ARRAY_CRC
        assert header.entries_crc32.computed == EMPTY_ARRAY_CRC
        assert (header.at_lba, header.my_lba.stored, header.my_lba.computed) == (at, at, at)
        assert (header.alternate_lba, header.entries_lba) == (alternate, entries)
        assert (header.first_usable_lba, header.last_usable_lba) == (34, 8_388_574)
        assert (header.revision, header.header_size) == (0x10000, 92)
        assert (header.entries_count, header.entry_bytes) == (128, 128)
        assert header.disk_guid == DISK_GUID


@pytest.mark.parametrize("byte", range(92))
def test_header_when_any_bit_of_its_92_bytes_is_flipped_then_it_is_invalid(byte: int) -> None:
    """UEFI 2.10, section 5.3.2: the CRC covers all of HeaderSize bytes; 32 bits miss no flip."""
    for bit in range(8):
        damaged = bytearray(EMPTY_PRIMARY.ljust(512, b"\0"))
        damaged[byte] ^= 1 << bit
        assert parse_header(bytes(damaged), 1).problem is not None


@pytest.mark.parametrize("byte", [0, 8, 16, 24, 56, 72, 91])
def test_table_when_the_primary_header_is_damaged_then_the_backup_is_used(byte: int) -> None:
    """The backup stands in for a primary that fails a test, and the damage stays on record."""
    drive = empty_drive()
    damaged = bytearray(EMPTY_PRIMARY)
    damaged[byte] ^= 0x10
    drive.put(512, bytes(damaged))
    table = read(drive)
    assert (table.scheme, table.used, table.disk_id) == ("gpt", "backup", DISK_GUID)
    assert table.primary is not None
    assert table.primary.problem is not None
    assert table.backup is not None
    assert table.backup.problem is None


def test_header_when_its_crc_is_wrong_then_both_values_are_kept() -> None:
    """Stored and computed stand beside each other."""
    sector = bytearray(GOOD.pack())
    right = int.from_bytes(sector[16:20], "little")
    sector[16:20] = (right ^ 1).to_bytes(4, "little")
    header = parse_header(bytes(sector), 1)
    assert (header.header_crc32.stored, header.header_crc32.computed) == (right ^ 1, right)
    assert header.problem == f"The header's CRC is {right:08X}; it stores {right ^ 1:08X}."


def test_header_when_its_revision_is_another_then_it_is_invalid() -> None:
    """UEFI 2.10, section 5.3.2: this is revision 1.0, 0x00010000."""
    copy = copy_of(replace(GOOD, revision=0x20000))
    assert copy.header.problem == "The header's revision is 00020000, not 00010000."


@pytest.mark.parametrize("size", [0, 91, 513, 0xFFFFFFFF])
def test_header_when_its_size_is_out_of_bounds_then_no_crc_is_computed(size: int) -> None:
    """HeaderSize is 92 at least and at most one logical block."""
    sector = bytearray(GOOD.pack())
    sector[12:16] = size.to_bytes(4, "little")
    header = parse_header(bytes(sector), 1)
    assert header.header_crc32.computed is None
    assert header.problem is not None
    assert str(size) in header.problem


@pytest.mark.parametrize("size", [92, 100, 512])
def test_header_when_its_size_is_within_bounds_then_the_crc_covers_all_of_it(size: int) -> None:
    """A longer header's CRC takes in the bytes behind the 92 known ones."""
    header = replace(GOOD, size=size, tail=b"later")
    assert parse_header(header.pack(), 1).problem is None
    changed = bytearray(header.pack())
    changed[93] ^= 1
    assert (parse_header(bytes(changed), 1).problem is None) is (size == 92)


def test_header_when_it_names_another_place_then_it_is_invalid() -> None:
    """MyLBA must be where the header was read from."""
    copy = copy_of(replace(GOOD, my_lba=7))
    assert copy.header.problem == "The header says it stands at LBA 7, not 1."
    assert (copy.header.my_lba.stored, copy.header.my_lba.computed) == (7, 1)


def test_header_structure_when_too_short_then_it_names_itself() -> None:
    """91 bytes are no header, 127 no entry."""
    with pytest.raises(StructureError, match=r"GPT header at byte 512: .* 91 bytes"):
        HEADER.parse(EMPTY_PRIMARY[:91], 512)
    with pytest.raises(StructureError, match=r"GPT partition entry .* 127 bytes"):
        PARTITION_ENTRY.parse(bytes(127))


def test_header_when_garbage_then_it_is_unsigned_and_read_all_the_same() -> None:
    """Random bytes are reported as stored, and are no header."""
    header = parse_header(random.Random(4).randbytes(512), 1)
    assert (header.signature_ok, header.entries_crc32.computed) == (False, None)
    assert header.problem is not None


def test_guid_when_stored_then_its_first_three_groups_are_little_endian() -> None:
    """The EFI system type's stored bytes (UEFI 2.10, table of types; appendix A)."""
    stored = bytes.fromhex("28732ac11ff8d211ba4b00a0c93ec93b")
    assert guid_text(stored) == "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"


def test_array_when_its_crc_is_wrong_then_the_header_stays_good() -> None:
    """Header and array are two checks: a bad array is reported as the array's fault."""
    copy = copy_of(GOOD, array=b"\1" + bytes(16_383))
    assert copy.header_good
    assert not copy.good
    computed = zlib.crc32(b"\1" + bytes(16_383))
    assert copy.header.entries_crc32.computed == computed
    assert copy.header.entries_problem == (
        f"The entry array's CRC is {computed:08X}; the header stores AB54D286."
    )


@pytest.mark.parametrize(
    ("count", "entry_bytes", "told"),
    [
        (128, 0, "Entries of 0 bytes"),
        (128, 64, "Entries of 64 bytes"),
        (128, 127, "Entries of 127 bytes"),
        (128, 130, "Entries of 130 bytes"),
        (0, 128, "no entries"),
        (32_769, 128, "4194432 bytes is larger"),
        (0xFFFFFFFF, 0xFFFFFFF8, "is larger"),
        (15_000, 128, "lies past the drive's last LBA 2047"),
    ],
)
def test_array_when_it_cannot_be_followed_then_the_reason_is_told(
    count: int, entry_bytes: int, told: str
) -> None:
    """Sizes that make no array, or one too large to read, are named and not read."""
    copy = copy_of(replace(GOOD, count=count, entry_bytes=entry_bytes))
    assert copy.array is None
    assert copy.header.entries_problem is not None
    assert told in copy.header.entries_problem


@pytest.mark.parametrize("entry_bytes", [128, 256, 512])
def test_array_when_entries_are_larger_then_each_is_read_at_its_own_step(entry_bytes: int) -> None:
    """SizeOfPartitionEntry is 128 x 2^n (UEFI 2.10, section 5.3.2)."""
    made = GptDrive(4096, {})
    array = bytearray(entry_bytes * 32)
    for slot, first in ((0, 100), (3, 300)):
        at = slot * entry_bytes
        array[at : at + 128] = Entry(first, first + 9).pack()
    made.array = made.backup_array = bytes(array)
    crc = zlib.crc32(array)
    made.primary = replace(
        made.primary, count=32, entry_bytes=entry_bytes, entries_crc=crc, first_usable=66
    )
    made.backup = replace(made.backup, count=32, entry_bytes=entry_bytes, entries_crc=crc)
    table = read(made.build())
    assert table.used == "primary"
    assert [(p.number, p.start_lba, p.sectors) for p in table.partitions] == [
        (1, 100, 10),
        (4, 300, 10),
    ]
    assert [p.record_lba for p in table.partitions] == [2, 2 + 3 * entry_bytes // 512]


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"first_usable": 33}, "15872 bytes are reserved"),
        ({"first_usable": 3}, "512 bytes are reserved"),
        ({"first_usable": 2}, "does not lie where it belongs"),
        ({"first_usable": 2016}, "last usable LBA lies before the first"),
    ],
)
def test_header_when_it_departs_from_the_layout_then_it_is_remarked_only(
    changed: dict[str, int], told: str
) -> None:
    """UEFI 2.10, section 5.3.1: 16,384 bytes at least before the first usable LBA."""
    header = replace(GOOD, count=4, entries_crc=zlib.crc32(bytes(512)), **changed)  # type: ignore[arg-type]
    copy = copy_of(header)
    assert copy.good
    assert len(copy.header.remarks) == 1
    assert told in copy.header.remarks[0]


def test_header_when_reserved_bytes_are_set_then_it_is_remarked_only() -> None:
    """The rest of the header's block is reserved and zero."""
    copy = copy_of(replace(GOOD, tail=b"x"))
    assert copy.good
    assert copy.header.remarks == ("Reserved bytes of the header's sector are not zero.",)
