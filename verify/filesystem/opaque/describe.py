"""Kinds whose files are not listed: recognised, and described as far as their first structure."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.filesystem.careful_reading import Described, Reader, is_power_of_two
from verify.filesystem.checksums import crc32c, fletcher64, lvm_crc
from verify.filesystem.description import Filesystem
from verify.filesystem.opaque.volume_group import VolumeGroup, read_group
from verify.structs import opaque as tables
from verify.text.message import say

if TYPE_CHECKING:
    from verify.source.window import Window
    from verify.structs.base import Record, Structure

_SECTOR = 512
_ALL_ONES = 0xFFFFFFFF
_LVM_SECTORS = 4
_BCACHE_MAGIC = bytes.fromhex("c68573f64e1a45ca8265f57f48ba6d81")
_BCACHE_BACKING = frozenset({1, 4})
_LVM_UUID_GROUPS = (6, 4, 4, 4, 4, 4, 6)
_PAGES = (4096, 8192, 16384, 32768, 65536)
_SWAP_MARK_BYTES = 10
_SWAP_MARKS = frozenset({b"SWAPSPACE2", b"SWAP-SPACE"})
_SUSPENDED = (b"S1SUSPEND", b"S2SUSPEND", b"ULSUSPEND")
_SMALLEST_BLOCK, _LARGEST_BLOCK = 512, 65536
_HFS_CLEAN, _HFS_INCONSISTENT = 1 << 8, 1 << 11
_HPFS_MAGICS = (0xFA53E9C5F995E849, 0xFA5229C5F9911849)
_ENCRYPTED, _DECRYPTED = 4, 1


def _at(reader: Reader, offset: int, table: Structure) -> Record | None:
    """Return the structure at a byte of the window, or `None` where the window ends before."""
    data = reader.peek(offset, table.size)
    return table.parse(data, offset) if data else None


def _text(value: bytes) -> str | None:
    return value.split(b"\0")[0].decode("utf-8", "replace").rstrip() or None


def _uuid(value: bytes) -> str | None:
    return str(uuid.UUID(bytes=value)).upper() if any(value) else None


def _is_block(size: int) -> bool:
    return is_power_of_two(size) and _SMALLEST_BLOCK <= size <= _LARGEST_BLOCK


def recognise_bitlocker(window: Window) -> Described | None:
    """BitLocker; proven where its metadata stands where the boot sector says."""
    reader = Reader(window)
    boot = _at(reader, 0, tables.BITLOCKER_BOOT_SECTOR)
    if boot is None:
        return None
    known = (tables.BITLOCKER_FIXED, tables.BITLOCKER_USED_SPACE_ONLY)
    if boot.raw("signature") == tables.BITLOCKER_SIGNATURE:
        if boot.raw("identifier") in known:
            offset = boot.number("metadata_offset")
        else:
            cluster = boot.number("bytes_per_sector") * boot.number("sectors_per_cluster")
            offset = boot.number("vista_metadata_cluster") * cluster
    elif boot.raw("removable_identifier") in known:
        offset = boot.number("removable_metadata_offset")
    else:
        return None
    digest = blake3(reader.peek(0, _SECTOR)).hexdigest()
    metadata = _at(reader, offset, tables.BITLOCKER_METADATA)
    if metadata is None or metadata.raw("signature") != tables.BITLOCKER_SIGNATURE:
        reader.note(say("BitLocker metadata"), say("none stands at byte {offset}", offset=offset))
        return Described(
            Filesystem(kind="bitlocker", boot_sector_digest=digest, unread=tuple(reader.unread)),
            proven=False,
        )
    state = {_ENCRYPTED: "encrypted", _DECRYPTED: "decrypted"}.get(metadata.number("state"))
    return Described(
        Filesystem(
            kind="bitlocker",
            id=str(uuid.UUID(bytes_le=metadata.raw("volume_identifier"))).upper(),
            version=str(metadata.number("version")),
            sector_bytes=boot.number("bytes_per_sector") or None,
            size_bytes=metadata.number("encrypted_bytes") or None,
            state=(state or "conversion-under-way",),
            boot_sector_digest=digest,
        )
    )


def recognise_luks(window: Window) -> Described | None:
    """LUKS, version 1 or 2."""
    reader = Reader(window)
    header = _at(reader, 0, tables.LUKS)
    if header is None or header.raw("magic") != tables.LUKS_SIGNATURE:
        return None
    version = header.number("version")
    label = _text(header.raw("label")) if version == 2 else None  # noqa: PLR2004 - LUKS2
    identifier = _text(header.raw("uuid"))
    return Described(
        Filesystem(
            kind="luks",
            id=identifier.upper() if identifier else None,
            label=label,
            version=str(version),
            boot_sector_digest=blake3(reader.peek(0, _SECTOR)).hexdigest(),
        ),
        proven=version in {1, 2},
    )


def recognise_lvm(window: Window) -> Described | None:
    """An LVM physical volume: its label stands in one of the first four sectors."""
    reader = Reader(window)
    for sector in range(_LVM_SECTORS):
        data = reader.peek(sector * _SECTOR, _SECTOR)
        label = tables.LVM_LABEL.parse(data) if data else None
        if not label or label.raw("id") != b"LABELONE" or label.raw("type") != b"LVM2 001":
            continue
        start = label.number("offset")
        if start + tables.LVM_PHYSICAL_VOLUME.size > len(data):
            continue
        header = tables.LVM_PHYSICAL_VOLUME.parse(data[start:])
        letters = header.raw("uuid").decode("ascii", "replace")
        groups, at = [], 0
        for length in _LVM_UUID_GROUPS:
            groups.append(letters[at : at + length])
            at += length
        behind = start + tables.LVM_PHYSICAL_VOLUME.size
        group = read_group(window, data[behind:])
        return Described(
            Filesystem(
                kind="lvm",
                label=group.name if group else None,
                features=_group_features(group),
                members=group.volumes if group else (),
                # NOTE: LVM's identifiers are letters of both cases, not hexadecimal.
                id="-".join(groups),
                version="2",
                size_bytes=header.number("device_size") or None,
            ),
            proven=lvm_crc(data[20:]) == label.number("crc"),
        )
    return None


def _group_features(group: VolumeGroup | None) -> tuple[str, ...]:
    if group is None:
        return ()
    return (f"devices-{len(group.volumes)}", *(("cached",) if group.cached else ()))


def recognise_bcache(window: Window) -> Described | None:
    """A drive with a flash cache before it, or that cache."""
    block = _at(Reader(window), tables.BCACHE_OFFSET, tables.BCACHE)
    if block is None or block.raw("magic") != _BCACHE_MAGIC:
        return None
    return Described(
        Filesystem(
            kind="bcache",
            label=_text(block.raw("label")),
            id=_uuid(block.raw("uuid")),
            version=str(block.number("version")),
            features=("cached",) if block.number("version") in _BCACHE_BACKING else ("cache",),
        )
    )


def recognise_xfs(window: Window) -> Described | None:
    """XFS; proven where its allocation groups add up to its size."""
    block = _at(Reader(window), 0, tables.XFS)
    if (
        block is None
        or block.raw("magicnum") != b"XFSB"
        or not _is_block(block.number("blocksize"))
    ):
        return None
    size, blocks = block.number("blocksize"), block.number("dblocks")
    group, groups = block.number("agblocks"), block.number("agcount")
    return Described(
        Filesystem(
            kind="xfs",
            label=_text(block.raw("fname")),
            id=_uuid(block.raw("uuid")),
            version=str(block.number("versionnum") & 0xF),
            sector_bytes=block.number("sectsize") or None,
            cluster_bytes=size,
            size_bytes=blocks * size,
            free_hint_bytes=block.number("fdblocks") * size,
        ),
        proven=(groups - 1) * group < blocks <= groups * group,
    )


def recognise_btrfs(window: Window) -> Described | None:
    """One device of a btrfs; proven where the superblock says its own place and checksum."""
    reader = Reader(window)
    data = reader.peek(tables.BTRFS_OFFSET, tables.BTRFS.size)
    if data[64:72] != b"_BHRfS_M":
        return None
    block = tables.BTRFS.parse(data)
    own_place = block.number("bytenr") == tables.BTRFS_OFFSET
    checked = block.number("csum_type") or crc32c(data[32:]) ^ _ALL_ONES == block.number("csum")
    devices = block.number("num_devices")
    unused = block.number("total_bytes") - block.number("bytes_used")
    return Described(
        Filesystem(
            kind="btrfs",
            label=_text(block.raw("label")),
            id=_uuid(block.raw("fsid")),
            cluster_bytes=block.number("sectorsize") or None,
            size_bytes=block.number("dev_total_bytes") or None,
            free_hint_bytes=unused if devices == 1 and unused >= 0 else None,
            features=(f"devices-{devices}",) if devices != 1 else (),
        ),
        proven=own_place and bool(checked),
    )


def recognise_swap(window: Window) -> Described | None:
    """Linux swap, also one that holds a suspended system's memory."""
    reader = Reader(window)
    for page in _PAGES:
        mark = reader.peek(page - _SWAP_MARK_BYTES, _SWAP_MARK_BYTES)
        suspended = mark.startswith(_SUSPENDED)
        if mark not in _SWAP_MARKS and not suspended:
            continue
        header = _at(reader, tables.SWAP_OFFSET, tables.SWAP)
        if header is None:
            continue
        current = header.number("version") == 1
        size = (header.number("last_page") + 1) * page
        if not suspended and (not current or not page < size <= window.size_bytes):
            continue  # ten bytes left over from earlier use are no swap space
        return Described(
            Filesystem(
                kind="swap",
                label=_text(header.raw("label")) if current else None,
                id=_uuid(header.raw("uuid")) if current else None,
                version=str(header.number("version")),
                cluster_bytes=page,
                size_bytes=size if current else None,
                state=("hibernated",) if suspended else (),
            )
        )
    return None


def recognise_refs(window: Window) -> Described | None:
    """ReFS; proven by the second identifier in its boot sector."""
    reader = Reader(window)
    boot = _at(reader, 0, tables.REFS)
    if boot is None or boot.raw("signature") != b"ReFS\0\0\0\0":
        return None
    sector = boot.number("bytes_per_sector")
    major, minor = boot.raw("version")
    return Described(
        Filesystem(
            kind="refs",
            id=f"{boot.number('serial'):016X}",
            version=f"{major}.{minor}",
            sector_bytes=sector or None,
            cluster_bytes=sector * boot.number("sectors_per_cluster") or None,
            size_bytes=sector * boot.number("sectors") or None,
            boot_sector_digest=blake3(reader.peek(0, _SECTOR)).hexdigest(),
        ),
        proven=boot.raw("identifier") == b"FSRS",
    )


def recognise_apfs(window: Window) -> Described | None:
    """An APFS container; proven by its checksum."""
    reader = Reader(window)
    block = _at(reader, 0, tables.APFS)
    if block is None or block.raw("magic") != b"NXSB":
        return None
    size = block.number("block_size")
    if not _is_block(size):
        return None
    return Described(
        Filesystem(
            kind="apfs",
            id=_uuid(block.raw("uuid")),
            cluster_bytes=size,
            size_bytes=size * block.number("block_count"),
        ),
        proven=fletcher64(reader.peek(0, size)[8:]) == block.number("cksum"),
    )


def recognise_hfs_plus(window: Window) -> Described | None:
    """HFS+ and HFSX; proven where their counts agree."""
    header = _at(Reader(window), tables.HFS_PLUS_OFFSET, tables.HFS_PLUS)
    if header is None:
        return None
    if (header.raw("signature"), header.number("version")) not in {(b"H+", 4), (b"HX", 5)}:
        return None
    block, marks = header.number("block_size"), header.number("attributes")
    total, free = header.number("total_blocks"), header.number("free_blocks")
    identifier = header.raw("identifier")
    return Described(
        Filesystem(
            kind="hfsplus",
            id=identifier.hex().upper() if any(identifier) else None,
            cluster_bytes=block or None,
            size_bytes=block * total,
            free_hint_bytes=block * free,
            clean=bool(marks & _HFS_CLEAN) and not marks & _HFS_INCONSISTENT,
        ),
        proven=is_power_of_two(block) and block >= _SECTOR and total > 0 and free <= total,
    )


def recognise_iso_9660(window: Window) -> Described | None:
    """A CD or DVD image written to a partition or a drive."""
    descriptor = _at(Reader(window), tables.ISO_OFFSET, tables.ISO_9660)
    if descriptor is None or descriptor.number("type") != 1:
        return None
    if descriptor.raw("identifier") != b"CD001":
        return None
    block = descriptor.number("logical_block_size")
    return Described(
        Filesystem(
            kind="iso9660",
            label=_text(descriptor.raw("volume_identifier")),
            cluster_bytes=block or None,
            size_bytes=block * descriptor.number("volume_space_size"),
        )
    )


def recognise_hpfs(window: Window) -> Described | None:
    """HPFS, told by its superblock and its spare block."""
    block = _at(Reader(window), tables.HPFS_OFFSET, tables.HPFS)
    if block is None or (block.number("magic"), block.number("spare_magic")) != _HPFS_MAGICS:
        return None
    return Described(
        Filesystem(
            kind="hpfs",
            sector_bytes=_SECTOR,
            cluster_bytes=_SECTOR,
            size_bytes=block.number("n_sectors") * _SECTOR,
            clean=not block.number("flags") & 1,
        )
    )


OPAQUE = (
    recognise_luks,
    recognise_lvm,
    recognise_bcache,
    recognise_xfs,
    recognise_btrfs,
    recognise_swap,
    recognise_refs,
    recognise_apfs,
    recognise_hfs_plus,
    recognise_hpfs,
    recognise_iso_9660,
)
"""What is recognised in this file, beside what lawfully shows another filesystem at its start."""
