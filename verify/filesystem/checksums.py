"""Checksums that filesystems keep of their first structures."""

from __future__ import annotations

import zlib

from google_crc32c import extend

_ALL_ONES = 0xFFFFFFFF


def crc32c(data: bytes, start: int = _ALL_ONES) -> int:
    """Return the CRC-32C before its final inversion (ext4 stores it that way).

    `start` is what the bytes before gave: CRC-32C (Castagnoli), RFC 3720 appendix B.4.
    """
    return int(extend(start ^ _ALL_ONES, data)) ^ _ALL_ONES


_CRC16_POLYNOMIAL = 0xA001


def _crc16_table() -> tuple[int, ...]:
    table = []
    for index in range(256):
        value = index
        for _ in range(8):
            value = value >> 1 ^ (_CRC16_POLYNOMIAL if value & 1 else 0)
        table.append(value)
    return tuple(table)


_CRC16 = _crc16_table()


def crc16(data: bytes, start: int = 0xFFFF) -> int:
    """Return the CRC-16 of ext's group descriptors (Linux lib/crc16.c: 0x8005, reflected)."""
    crc = start
    for byte in data:
        crc = crc >> 8 ^ _CRC16[(crc ^ byte) & 0xFF]
    return crc


def lvm_crc(data: bytes) -> int:
    """Return LVM's checksum: CRC-32 from its own start value, without the final inversion."""
    # SPEC: libblkid lvm.c, lvm2_calc_crc: initial value 0xf597a6cf.
    return zlib.crc32(data, 0xF597A6CF ^ _ALL_ONES) ^ _ALL_ONES


def fletcher64(data: bytes) -> int:
    """Return APFS's checksum of an object, over what follows its own checksum field."""
    # SPEC: Apple File System Reference, obj_phys_t.o_cksum; arithmetic as in libblkid apfs.c.
    low = high = 0
    for at in range(0, len(data) - 3, 4):
        low += int.from_bytes(data[at : at + 4], "little")
        high += low
    first = _ALL_ONES - (low + high) % _ALL_ONES
    second = _ALL_ONES - (low + first) % _ALL_ONES
    return second << 32 | first


def exfat_boot_checksum(sectors: bytes) -> int:
    """Return the checksum of the first 11 sectors of an exFAT boot region."""
    # SPEC: Microsoft exFAT 1.00 section 3.4: VolumeFlags and PercentInUse are left out.
    checksum = 0
    for index, byte in enumerate(sectors):
        if index not in {106, 107, 112}:
            checksum = ((checksum & 1) << 31) + (checksum >> 1) + byte & _ALL_ONES
    return checksum


def md_checksum(superblock: bytes, checksum_offset: int) -> int:
    """Return the checksum of a version-1 md superblock, its own field taken as 0."""
    # SPEC: Linux drivers/md/md.c, calc_sb_1_csum.
    data = superblock[:checksum_offset] + bytes(4) + superblock[checksum_offset + 4 :]
    total = sum(int.from_bytes(data[at : at + 4], "little") for at in range(0, len(data), 4))
    return (total & _ALL_ONES) + (total >> 32) & _ALL_ONES
