"""Zeros behind the end of a drive whose VHD was rounded up to whole cylinders.

Makers that take a VHD's size from its geometry round a drive up to it. Where the drive ended then
only its GPT tells: the backup stands in its last sector (UEFI 2.10, section 5.3.2).
"""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

from verify.source.images.image_file import ImageDamage
from verify.structs import gpt, vhd

if TYPE_CHECKING:
    from verify.source.images.image_file import Image

_SECTOR = vhd.SECTOR_BYTES
_LARGEST_BYTES = vhd.MOST_CYLINDERS[1] * vhd.MOST_CYLINDERS[2] * _SECTOR
"""One cylinder of the largest geometry: nobody rounds by more."""


def padding_bytes(image: Image) -> int:
    """Return how many bytes of zeros stand behind the sector of the backup GPT; 0 for none.

    Raises:
        SourceVanished: the file is shorter than it was.
    """
    try:
        return _padding(image, image.facts.drive_bytes)
    except ImageDamage:
        return 0


def _padding(image: Image, size: int) -> int:
    if size < 2 * _SECTOR:
        return 0
    last = _names_other(image.read(_SECTOR, _SECTOR), 1)
    end = 0 if last is None else (last + 1) * _SECTOR
    if last is None or not 0 < size - end <= _LARGEST_BYTES:
        return 0
    if _names_other(image.read(last * _SECTOR, _SECTOR), last) is None:
        return 0
    return 0 if any(image.read(end, size - end)) else size - end


def _names_other(sector: bytes, at_lba: int) -> int | None:
    """Return where a header says that the other one stands; `None`: it is no whole header."""
    header = gpt.HEADER.parse(sector)
    length = header.number("HeaderSize")
    if header.raw("Signature") != gpt.SIGNATURE or not gpt.HEADER.size <= length <= _SECTOR:
        return None
    own = gpt.HEADER_CRC_FIELD
    zeroed = sector[: own.start] + bytes(4) + sector[own.stop : length]
    if zlib.crc32(zeroed) != header.number("HeaderCRC32") or header.number("MyLBA") != at_lba:
        return None
    return header.number("AlternateLBA")
