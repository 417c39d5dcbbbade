"""What the headers of LVM, XFS and btrfs prove, though their files are not listed."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from verify.filesystem.checksums import crc32c, lvm_crc
from verify.filesystem.opaque.copies import Copies
from verify.structs import opaque as tables
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.filesystem.examination import Examination
    from verify.source.window import Window
    from verify.structs.base import Record

_ALL_ONES = 0xFFFFFFFF
_SECTOR = 512

_LVM_MAGIC = b" LVM2 x[5A%r0N*>"
_LVM_LABEL_SECTORS = 4
_LVM_IGNORED = 1
_MOST_TEXT_BYTES = 16 << 20

_XFS_CRC_AT = 224
_XFS_WITH_CRC = 5
_XFS_ALIKE = ("blocksize", "dblocks", "agblocks", "agcount", "sectsize")
_MOST_GROUPS = 1 << 16

_BTRFS_COPIES = (64 << 10, 64 << 20, 256 << 30)
_BTRFS_CSUMS: dict[int, Callable[[bytes], bytes]] = {
    0: lambda data: (crc32c(data) ^ _ALL_ONES).to_bytes(4, "little"),
    2: lambda data: hashlib.sha256(data).digest(),
    3: lambda data: hashlib.blake2b(data, digest_size=32).digest(),
}
"""SPEC: btrfs On-disk Format, "Checksum": 1 is xxHash64, which no library here knows."""


def examine_lvm(window: Window, _alive: Callable[[], None]) -> Examination:
    """Examine a physical volume's label, and each of its metadata areas with its text."""
    label = _lvm_label(window)
    copies = Copies(window, say("LVM metadata area"))
    if label is None:
        copies.recorder.compared()
        copies.bad(
            say("label"),
            say("checksum"),
            say("none is right"),
            say("one of the first four sectors"),
            0,
        )
        return copies.examination()
    copies.recorder.compared()
    areas = _lvm_areas(label)
    for number, (at, size) in enumerate(areas, 1):
        _lvm_area(copies, say("copy {number}", number=number), at, size)
    if not areas:
        copies.recorder.leave_out(say("LVM: this volume keeps no copy of its group's metadata"))
        copies.good()
    return copies.examination()


def _lvm_label(window: Window) -> bytes | None:
    """Return the sector with the label whose checksum is right."""
    for sector in range(_LVM_LABEL_SECTORS):
        if (sector + 1) * _SECTOR > window.size_bytes:
            break
        data = window.read(sector * _SECTOR, _SECTOR)
        label = tables.LVM_LABEL.parse(data)
        if label.raw("id") == b"LABELONE" and lvm_crc(data[20:]) == label.number("crc"):
            return data
    return None


def _lvm_areas(label: bytes) -> list[tuple[int, int]]:
    """Return the metadata areas: the second list behind the physical volume's header."""
    at = tables.LVM_LABEL.parse(label).number("offset") + tables.LVM_PHYSICAL_VOLUME.size
    lists: list[list[tuple[int, int]]] = [[]]
    while at + tables.LVM_AREA.size <= len(label) and len(lists) <= 2:  # noqa: PLR2004
        area = tables.LVM_AREA.parse(label[at:])
        if area.number("offset"):
            lists[-1].append((area.number("offset"), area.number("size")))
        else:
            lists.append([])
        at += tables.LVM_AREA.size
    return lists[1] if len(lists) > 1 else []


def _lvm_area(copies: Copies, place: str, at: int, size: int) -> None:
    data = copies.read(place, at, _SECTOR)
    if data is None:
        return
    header = tables.LVM_METADATA.parse(data)
    if not copies.checksum(place, header.number("checksum"), lvm_crc(data[4:]), at):
        return
    if header.raw("magic") != _LVM_MAGIC:
        copies.bad(place, "magic", header.raw("magic").hex(), _LVM_MAGIC.hex(), at)
        return
    start, length = header.number("text_offset"), header.number("text_size")
    if header.number("text_flags") & _LVM_IGNORED or not length:
        copies.good()
        return
    if not _SECTOR <= start < size or length > min(size - _SECTOR, _MOST_TEXT_BYTES):
        copies.bad(
            place,
            "text",
            say("{length} bytes at {start}", length=length, start=start),
            say("inside {size} bytes", size=size),
            at,
        )
        return
    first = min(length, size - start)
    text = copies.read(place, at + start, first)
    rest = copies.read(place, at + _SECTOR, length - first) if first < length else b""
    if text is None or rest is None:
        return
    if copies.checksum(place, header.number("text_checksum"), lvm_crc(text + rest), at + start):
        copies.good()


def examine_xfs(window: Window, alive: Callable[[], None]) -> Examination:
    """Examine the superblock of every allocation group; the first one alone is mounted by."""
    copies = Copies(window, say("XFS superblock"), first_decides=True)
    data = copies.read(say("copy 1"), 0, _SECTOR)
    if data is None:
        return copies.examination()
    first = tables.XFS.parse(data)
    if not _xfs_block(copies, say("copy 1"), 0, first):
        return copies.examination()
    copies.good()
    step = first.number("agblocks") * first.number("blocksize")
    groups = first.number("agcount")
    if groups > _MOST_GROUPS:
        copies.recorder.leave_out(
            say(
                "XFS: superblocks behind the first {most_groups} of {groups}",
                most_groups=_MOST_GROUPS,
                groups=groups,
            )
        )
    for group in range(1, min(groups, _MOST_GROUPS)):
        alive()
        if _xfs_block(copies, say("allocation group {group}", group=group), group * step, first):
            copies.good()
    return copies.examination()


def _xfs_block(copies: Copies, place: str, at: int, first: Record) -> bool:
    """Whether one superblock is whole, and of the same volume as the first."""
    length = min(max(first.number("sectsize"), _SECTOR), 1 << 15)
    data = copies.read(place, at, length)
    if data is None:
        return False
    block = tables.XFS.parse(data)
    if block.raw("magicnum") != b"XFSB":
        copies.bad(place, "magic", block.raw("magicnum").hex(), b"XFSB".hex(), at)
        return False
    if block.number("versionnum") & 0xF == _XFS_WITH_CRC:
        stored = int.from_bytes(data[_XFS_CRC_AT : _XFS_CRC_AT + 4], "little")
        blank = data[:_XFS_CRC_AT] + bytes(4) + data[_XFS_CRC_AT + 4 :]
        if not copies.checksum(place, stored, crc32c(blank) ^ _ALL_ONES, at):
            return False
    if block.raw("uuid") != first.raw("uuid"):
        copies.bad(place, "uuid", block.raw("uuid").hex(), first.raw("uuid").hex(), at)
        return False
    for name in _XFS_ALIKE:
        if block.number(name) != first.number(name):
            copies.bad(place, name, str(block.number(name)), str(first.number(name)), at)
            return False
    return True


def examine_btrfs(window: Window, _alive: Callable[[], None]) -> Examination:
    """Examine the superblocks; the first one alone is mounted by."""
    copies = Copies(window, say("btrfs superblock"), first_decides=True)
    first = _btrfs_block(copies, say("copy 1"), _BTRFS_COPIES[0], None)
    if first is not None:
        copies.good()
    size = window.size_bytes if first is None else first.number("dev_total_bytes")
    for number, at in enumerate(_BTRFS_COPIES[1:], 2):
        if at + tables.BTRFS.size <= size and (
            _btrfs_block(copies, say("copy {number}", number=number), at, first) is not None
        ):
            copies.good()
    return copies.examination()


def _btrfs_block(copies: Copies, place: str, at: int, first: Record | None) -> Record | None:
    data = copies.read(place, at, tables.BTRFS.size)
    if data is None:
        return None
    block = tables.BTRFS.parse(data)
    if block.raw("magic") != b"_BHRfS_M" or block.number("bytenr") != at:
        stored = say(
            "{value} of byte {at}",
            value=block.raw("magic").hex(),
            at=block.number("bytenr"),
        )
        copies.bad(
            place, "magic", stored, say("{value} of byte {at}", value=b"_BHRfS_M".hex(), at=at), at
        )
        return None
    digest = _BTRFS_CSUMS.get(block.number("csum_type"))
    if digest is None:
        kind = block.number("csum_type")
        copies.recorder.leave_out(
            say("btrfs superblock, {place}: checksum of kind {kind}", place=place, kind=kind)
        )
    else:
        computed = digest(data[32:])
        if not copies.checksum(place, data[: len(computed)], computed, at):
            return None
    if first is not None and block.raw("fsid") != first.raw("fsid"):
        copies.bad(place, "fsid", block.raw("fsid").hex(), first.raw("fsid").hex(), at)
        return None
    # NOTE: a start that was cut off may have written the first copy alone.
    behind = 0 if first is None else first.number("generation") - block.number("generation")
    if behind > 1:
        copies.bad(
            place, "generation", say("{behind} behind", behind=behind), say("that of copy 1"), at
        )
        return None
    return block
