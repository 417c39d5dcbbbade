"""The restart pages of an NTFS log, as a driver checks them before it mounts for writing.

Source: ntfs-3g, libntfs-3g/logfile.c (ntfs_check_restart_page_header, ntfs_check_restart_area),
which mounts a volume read-only where neither page is whole; libfsntfs, 'The log file ($LogFile)'.
What the log's other pages hold is not examined.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.careful_reading import is_power_of_two
from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examined_volume import LOG_FILE, FaultyError, system_fault
from verify.filesystem.ntfs.record_decoder import STRIDE, repaired
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.ntfs.examined_volume import Examined, Whole

_PAGE_BYTES = 4096
_LEAST_PAGES = 50
"""Two restart pages and 48 for records: ntfs-3g, MinLogRecordPages."""

_LARGEST_PAGE = 64 << 10
_EMPTY = b"\xff\xff\xff\xff"
_NO_CLIENT = 0xFFFF
_CLIENT_BYTES = 160
_HEAD = struct.Struct("<4sHHQIIHhh")
_AREA = struct.Struct("<QHHHHIHHQ")
_VERSIONS = frozenset({(1, 1), (2, 0)})
_HEAD_BYTES = 30


def hold_log(volume: Examined, whole: Whole | None) -> None:
    """Hold both restart pages of the log; an emptied one has none.

    Raises:
        FaultyError: it cannot be read.
    """
    if whole is None or whole.value is not None:
        return
    if whole.size < _LEAST_PAGES * _PAGE_BYTES:
        system_fault(volume, LOG_FILE, say("size"), whole.size, _LEAST_PAGES * _PAGE_BYTES)
        return
    start = _bytes_at(volume, whole, 0, 2 * _LARGEST_PAGE)
    size = int.from_bytes(start[16:20], "little")
    regular = is_power_of_two(size) and STRIDE <= size <= _LARGEST_PAGE
    if start[:4] == _EMPTY and start[_PAGE_BYTES : _PAGE_BYTES + 4] == _EMPTY:
        volume.structure.compared()
        return
    size = size if regular else _PAGE_BYTES
    wrong = {}
    for number in (1, 2):
        volume.structure.compared()
        page = start[(number - 1) * size : number * size]
        problem = _problem(page, size)
        if problem:
            wrong[number] = problem
    # NOTE: one page is enough for a driver; both are written in turn.
    effect = Effect.REPAIRED if len(wrong) == 1 else Effect.REFUSED
    for number, (field, stored) in wrong.items():
        system_fault(
            volume,
            LOG_FILE,
            say("restart page {number}, {field}", number=number, field=field),
            stored,
            say("whole"),
            effect,
        )


def _problem(page: bytes, size: int) -> tuple[str, str] | None:  # noqa: PLR0911 - one a field
    """Return what of a restart page is not as it must be, and what stands there."""
    signature, fixups, count, checked, system, log, area_at, minor, major = _HEAD.unpack_from(page)
    if signature not in {b"RSTR", b"CHKD"}:
        return say("signature"), signature.hex(" ").upper()
    if system != size or not is_power_of_two(log) or log < STRIDE:
        return say("page sizes"), say("{system}, {log}", system=system, log=log)
    if (major, minor) not in _VERSIONS:
        return say("version"), f"{major}.{minor}"
    whole = page
    if signature == b"RSTR" or count:
        if fixups < _HEAD_BYTES:
            return say("offset of update sequence"), str(fixups)
        try:
            whole = repaired(page, 0, signature)
        except StructureError:
            return say("update sequence"), say("torn")
    if signature == b"RSTR" and checked:
        return say("chkdsk number"), str(checked)
    behind = fixups + 2 * count if count else _HEAD_BYTES
    if area_at & 7 or area_at < behind or area_at + _AREA.size > STRIDE - 2:
        return say("offset of restart area"), str(area_at)
    return _area_problem(whole, area_at, size)


def _area_problem(page: bytes, at: int, size: int) -> tuple[str, str] | None:
    _, clients, free, in_use, _, bits, length, clients_at, file_size = _AREA.unpack_from(page, at)
    if clients_at & 7 or at + clients_at > STRIDE - 2:
        return say("offset of clients"), str(clients_at)
    end = clients_at + clients * _CLIENT_BYTES
    if at + end > size or at + length > size or end > length:
        return say("length of restart area"), str(length)
    if any(item != _NO_CLIENT and item >= clients for item in (free, in_use)):
        return say("lists of clients"), say("{free}, {in_use}", free=free, in_use=in_use)
    if bits != 67 - file_size.bit_length():
        return say("sequence number bits"), str(bits)
    return None


def _bytes_at(volume: Examined, whole: Whole, position: int, length: int) -> bytes:
    """Return bytes of a stream that lies in clusters, fewer at its end."""
    parts: list[bytes] = []
    for count, start in whole.runs:
        size = count * volume.sizes.cluster_bytes
        if position < size and length:
            if start is None:
                raise FaultyError("$LogFile", say("run"), say("a hole"), say("clusters"), whole.at)
            taken = min(size - position, length)
            parts.append(volume.read(start * volume.sizes.cluster_bytes + position, taken))
            length -= taken
        position = max(0, position - size)
    return b"".join(parts)
