"""How large a drive is, by every way of saying it."""

from __future__ import annotations

import pytest

from verify.errors import UsageError
from verify.fit.capacity import Capacity, agreed_sectors, grain_bytes, ground, parse_size, sold_as
from verify.units import MIB, binary_size

# IDEMA LBA1-02: LBA = 97,696,368 + 1,953,504 x (GB - 50), and its printed example, 80 GB; the
# counts of 4,096-byte sectors are LBA1-03's 12,212,046 + 244,188 x (GB - 50).
COUNTS = {
    80: (156_301_488, 19_537_686),
    120: (234_441_648, 29_305_206),
    128: (250_069_680, 31_258_710),
    160: (312_581_808, 39_072_726),
    240: (468_862_128, 58_607_766),
    250: (488_397_168, 61_049_646),
    256: (500_118_192, 62_514_774),
    320: (625_142_448, 78_142_806),
    480: (937_703_088, 117_212_886),
    500: (976_773_168, 122_096_646),
    512: (1_000_215_216, 125_026_902),
    960: (1_875_385_008, 234_423_126),
    1000: (1_953_525_168, 244_190_646),
    2000: (3_907_029_168, 488_378_646),
    4000: (7_814_037_168, 976_754_646),
    8000: (15_628_053_168, 1_953_506_646),
    # SFF-8447, disk drives above 8,000 GB: sectors as such drives report them (from memory; each
    # is the advertised bytes / 512, rounded up to a multiple of 2^21).
    10_000: (19_532_873_728, 2_441_609_216),
    12_000: (23_437_770_752, 2_929_721_344),
    14_000: (27_344_764_928, 3_418_095_616),
    16_000: (31_251_759_104, 3_906_469_888),
    18_000: (35_156_656_128, 4_394_582_016),
    20_000: (39_063_650_304, 4_882_956_288),
    22_000: (42_970_644_480, 5_371_330_560),
}


@pytest.mark.parametrize("gigabytes", COUNTS)
def test_size_when_said_as_sold_then_it_is_the_makers_count(gigabytes: int) -> None:
    """A number of GB is the count its makers agreed on, in sectors of either size."""
    small, large = COUNTS[gigabytes]
    assert agreed_sectors(gigabytes) == small
    assert parse_size(f"{gigabytes} GB", 512).sectors == small
    assert parse_size(f"{gigabytes}GB", 4096).sectors == large
    assert sold_as(small * 512) == gigabytes
    assert sold_as((small + 1) * 512) is None


@pytest.mark.parametrize("terabytes", range(9, 41))
def test_size_when_above_8_tb_then_it_never_promises_more_than_the_drive_has(
    terabytes: int,
) -> None:
    """SFF-8447: no less than what is advertised, and less than one nominal GiB above it."""
    size = parse_size(f"{terabytes} TB", 512).size_bytes
    assert 0 <= size - terabytes * 10**12 < (1 << 30)
    assert size % (1 << 30) == 0


def test_flash_drive_when_above_8_tb_then_its_line_is_still_known() -> None:
    """15.36 TB of flash have 30,005,842,608 sectors: IDEMA LBA1-03 at 15,360."""
    assert 97_696_368 + 1_953_504 * (15_360 - 50) == 30_005_842_608
    assert sold_as(30_005_842_608 * 512) == 15_360
    assert parse_size("15360 GB", 512).sectors < 30_005_842_608


def test_capacity_when_of_a_class_then_it_is_said_in_gb_and_gib() -> None:
    """976,773,168 sectors are 500 GB and 465.76 GiB; one more sector is of no class."""
    capacity = parse_size("976,773,168 sectors", 512)
    assert capacity.size_bytes == 500_107_862_016
    assert capacity.sold_as_gb == 500
    assert binary_size(capacity.size_bytes) == "465.76 GiB"
    assert binary_size(parse_size("500118192 sectors", 512).size_bytes) == "238.47 GiB"
    assert parse_size("976773169 s", 512).sold_as_gb is None


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("500107862016", 500_107_862_016),
        ("500107862016 B", 500_107_862_016),
        ("1 TB", 1_000_204_886_016),
        ("1.5 TB", (97_696_368 + 1_953_504 * 1450) * 512),
        ("465 GiB", 465 * (1 << 30)),
        ("1.5 GiB", 3 << 29),
        ("2 GB", 2_000_000_000 // 512 * 512),
        ("100 MB", 100_000_000 // 512 * 512),
        ("250.5 GB", 250_500_000_000 // 512 * 512),
    ],
)
def test_size_when_said_otherwise_then_it_is_taken_exactly(text: str, size: int) -> None:
    """Bytes, binary units and broken numbers of GB are what they say, in whole sectors."""
    assert parse_size(text, 512).size_bytes == size


@pytest.mark.parametrize(
    "text", ["", "500 G", "GB", "-5 GB", "5 000 GB", "1,00 GB", "1 MB", "99999999 PB", "0x10"]
)
def test_size_when_it_is_none_then_it_is_refused(text: str) -> None:
    """What could mean two things, or no drive, is not guessed at."""
    with pytest.raises(UsageError):
        parse_size(text, 512)


def test_ground_when_gpt_then_both_tables_have_room() -> None:
    """UEFI 2.10 table 5-5: 34 sectors in front, 33 behind; of 4,096 bytes 6 and 5."""
    small = ground(parse_size("256 GB", 512), "gpt")
    assert (small.first // 512, small.end // 512 - 1) == (34, 500_118_158)
    large = ground(parse_size("256 GB", 4096), "gpt")
    assert (large.first // 4096, large.end // 4096) == (6, 62_514_774 - 5)


def test_ground_when_mbr_then_it_ends_at_two_tebibytes() -> None:
    """A record has 32 bits for its sectors: 2 TiB of 512 bytes."""
    assert ground(parse_size("4000 GB", 512), "mbr").end == 2 << 40
    assert ground(parse_size("4000 GB", 4096), "mbr").end == 976_754_646 * 4096


def test_ground_when_some_stays_spare_then_it_ends_earlier() -> None:
    """7 % of 100,000 sectors are 7,000."""
    capacity = Capacity(size_bytes=100_000 * 512, sector_bytes=512)
    assert ground(capacity, "gpt", spare=0.07).end // 512 in {92_999, 93_000}


@pytest.mark.parametrize(
    ("optimal", "grain"),
    [
        (None, MIB),
        (0, MIB),
        (128 << 10, MIB),
        (2 * MIB, 2 * MIB),
        (192 << 10, 3 * MIB),
        (65_535 * 512, MIB),
        (1 << 40, MIB),
    ],
)
def test_grain_when_the_drive_tells_its_own_then_both_are_kept(optimal: int, grain: int) -> None:
    """1 MiB, and what the drive would like where that can be had together with it."""
    assert grain_bytes(optimal) == grain
