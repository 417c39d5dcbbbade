"""How large a drive is: as it is sold, as a system shows it, in sectors; and what a table leaves.

A drive sold as 500 GB has not 500,000,000,000 bytes but the count that its makers agreed on, which
is a little more; systems show it in powers of 1,024, as 465.76 GiB.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from verify.errors import UsageError
from verify.text.message import say
from verify.units import MIB, align_up

if TYPE_CHECKING:
    from verify.table.partition_table import GptHeader

Scheme = Literal["gpt", "mbr", "none"]

SECTOR_SIZES = (512, 4096)

# SPEC: IDEMA LBA1-02: LBA = 97,696,368 + 1,953,504 x (GB - 50) sectors of 512 bytes; LBA1-03 gives
# an eighth of it for sectors of 4,096 bytes.
_BASE_SECTORS, _SECTORS_A_GB, _BASE_GB = 97_696_368, 1_953_504, 50
_LEAST_GB = 8

# SPEC: SFF-8447: disk drives above 8,000 GB have the advertised bytes in sectors, rounded up to a
# whole number of nominal GiB (2^21 sectors of 512 bytes), for the zones of zoned drives.
_LINE_ENDS_GB = 8_000
_ROUNDED_SECTORS = 1 << 21
# NOTE: the count of a flash drive above 8 TB may still lie on IDEMA's line, which is then up to
# 0.02 % more: what is promised of "16 TB" is the smaller count.
# NOTE: the formula is printed for drives above 50 GB; drives sold as 8 to 32 GB follow it as well
# (common practice). Smaller ones are taken at their word.

_DECIMAL = {"B": 1, "BYTES": 1, "KB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12, "PB": 10**15}
_BINARY = {"KIB": 1 << 10, "MIB": MIB, "GIB": 1 << 30, "TIB": 1 << 40, "PIB": 1 << 50}
_SECTORS = frozenset({"S", "SECTOR", "SECTORS"})
_SIZE = re.compile(r"((?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?)\s*([a-z]*)", re.IGNORECASE)
_NUMBER = re.compile(
    r"|[-+]?(?:nan|inf(?:inity)?|[\d.,]*\d[\d.,]*(?:e[-+]?\d+)?)\s*[a-z]*", re.IGNORECASE
)
_ADVICE = say('Write "500 GB" (as sold), "465 GiB", "976773168 sectors", or a number of bytes.')
_LARGEST_BYTES = 1 << 64
_MOST_DIGITS = 30
"""More than any size has; Python reads no number of thousands of digits."""

# SPEC: UEFI 2.10 section 5.3.1: at least 16,384 bytes are kept for each array of entries.
_ENTRIES_BYTES = 16_384
# SPEC: UEFI 2.10 section 5.2.1: a record holds its start and its size in 32 bits each.
_MBR_SECTORS = 1 << 32

GRAIN_BYTES = MIB
"""Where partitions start since Vista: Microsoft Learn; util-linux, libfdisk/src/alignment.c."""

_LARGEST_GRAIN = 64 * MIB
_PAGE_BYTES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacity:
    """A drive by its numbers: `size_bytes`, a whole number of sectors of `sector_bytes` each."""

    size_bytes: int
    sector_bytes: int

    @property
    def sectors(self) -> int:
        """How many sectors it has."""
        return self.size_bytes // self.sector_bytes

    @property
    def sold_as_gb(self) -> int | None:
        """The GB it is sold as, where its makers' agreements give exactly this count."""
        return sold_as(self.size_bytes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Where partitions may lie, in bytes: from `first` up to `end`, starting on `grain`.

    `sector`: bytes a sector; sizes are whole numbers of it.
    """

    first: int
    end: int
    grain: int
    sector: int


def agreed_sectors(gigabytes: int, sector_bytes: int = 512) -> int:
    """Return how many sectors a drive of so many decimal GB has, by its makers' agreements."""
    if gigabytes <= _LINE_ENDS_GB:
        sectors = _BASE_SECTORS + _SECTORS_A_GB * (gigabytes - _BASE_GB)
    else:
        sectors = align_up(-(-gigabytes * 10**9 // 512), _ROUNDED_SECTORS)
    return sectors * 512 // sector_bytes


def sold_as(size_bytes: int) -> int | None:
    """Return the decimal GB whose agreed count this is exactly; `None`: it is of no such class."""
    # NOTE: disk drives above 8 TB are sold in whole TB (common practice), flash on IDEMA's line.
    large = size_bytes // 10**12 * 1000
    if large > _LINE_ENDS_GB and agreed_sectors(large) * 512 == size_bytes:
        return large
    gigabytes, rest = divmod(size_bytes // 512 - _BASE_SECTORS, _SECTORS_A_GB)
    whole = not rest and not size_bytes % 512
    return gigabytes + _BASE_GB if whole and gigabytes + _BASE_GB >= _LEAST_GB else None


def is_size(text: str) -> bool:
    """Whether a text is meant as a size, and not as the name of a drive."""
    return _SIZE.fullmatch(text.strip()) is not None


def is_number(text: str) -> bool:
    """Whether a text is nothing, or begins with what programs take for a number: so a bad size."""
    return _NUMBER.fullmatch(text.strip()) is not None


def parse_size(text: str, sector_bytes: int) -> Capacity:
    """Return the capacity that a text names, in whole sectors.

    A whole number of GB or TB is what a drive is sold as, and becomes its makers' count; `GiB`,
    `MB`, bytes (with or without a `B`) and `sectors` are taken exactly.

    Raises:
        UsageError: it is no size, or none of a drive.
    """
    match = _SIZE.fullmatch(text.strip())
    unit = match[2].upper() if match else ""
    known = unit in _DECIMAL | _BINARY or unit in _SECTORS or not unit
    if match is None or not known:
        given = text.strip() or say("nothing")
        raise UsageError(say("{text}: not a size of a drive.", text=given), _ADVICE)
    digits, _, fraction = match[1].replace(",", "").partition(".")
    if len(digits) > _MOST_DIGITS or len(fraction) > _MOST_DIGITS:
        raise UsageError(
            say("{text} …: no drive has that size.", text=text[:_MOST_DIGITS]), _ADVICE
        )
    factor = sector_bytes if unit in _SECTORS else (_DECIMAL | _BINARY).get(unit or "B", 1)
    scale = 10 ** len(fraction)
    count = int(digits + fraction) * factor
    gigabytes, rest = divmod(count, 10**9 * scale)
    if unit in {"GB", "TB", "PB"} and not rest and gigabytes >= _LEAST_GB:
        size = agreed_sectors(gigabytes, sector_bytes) * sector_bytes
    else:
        size = count // scale
    size -= size % sector_bytes
    if not 2 * MIB <= size < _LARGEST_BYTES:
        raise UsageError(say("{text}: no drive has that size.", text=text), _ADVICE)
    return Capacity(size_bytes=size, sector_bytes=sector_bytes)


def grain_bytes(optimal_io_bytes: int | None) -> int:
    """Return what starts are multiples of: 1 MiB, and the drive's own optimal size as well.

    NOTE: bridges are known to tell sizes such as 65,535 sectors, which nothing can be aligned to;
    one that is no whole number of pages, or is larger than 64 MiB together with 1 MiB, is passed
    over.
    """
    if not optimal_io_bytes or optimal_io_bytes % _PAGE_BYTES:
        return GRAIN_BYTES
    both = math.lcm(GRAIN_BYTES, optimal_io_bytes)
    return both if both <= _LARGEST_GRAIN else GRAIN_BYTES


def ground(
    capacity: Capacity,
    scheme: Scheme,
    *,
    grain: int = GRAIN_BYTES,
    spare: float = 0.0,
    header: GptHeader | None = None,
) -> Ground:
    """Return where partitions may lie on a drive with a table of that scheme.

    `spare`: the share of the drive, 0 to 1, that stays unpartitioned at its end. `header`: the old
    drive's, whose array of entries the new one has room for, should it be larger than usual.
    """
    sector, sectors = capacity.sector_bytes, capacity.sectors
    first, end = 0, sectors
    if scheme == "gpt":
        stored = header.entries_count * header.entry_bytes if header and not header.problem else 0
        array = align_up(max(stored, _ENTRIES_BYTES), sector) // sector
        first, end = 2 + array, sectors - 1 - array
    elif scheme == "mbr":
        first, end = 1, min(sectors, _MBR_SECTORS)
    kept = int(sectors * (1 - spare))
    return Ground(first=first * sector, end=min(end, kept) * sector, grain=grain, sector=sector)
