"""The state of NTFS's log: whether changes wait in it, and how far it is. Nothing is replayed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from verify.errors import StructureError
from verify.filesystem.careful_reading import is_power_of_two
from verify.structs.ntfs import RESTART_AREA, RESTART_PAGE
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.ntfs.records import Records
    from verify.source.window import Window
    from verify.structs.base import Record

Log = Literal["clean", "empty", "pending"]

_LOG_FILE = 2
_SIGNATURES = frozenset({b"RSTR", b"CHKD"})
_EMPTY = b"\xff\xff\xff\xff"
_HEAD_BYTES = 512
_LARGEST_PAGE = 64 << 10
_NO_CLIENT, _VOLUME_IS_CLEAN = 0xFFFF, 0x0002


def log_state(window: Window, records: Records) -> tuple[Log, int | None]:
    """Return what the newer of $LogFile's two restart pages says, and its log sequence number.

    The number grows with everything that the volume's system logs; an empty log has none.

    # SPEC: libfsntfs, 'The log file'; that a log nobody uses, or one of a volume marked clean,
    holds nothing to replay: ntfs-3g, libntfs-3g/logfile.c.

    Raises:
        StructureError: it is no log.
        PastEnd, SourceUnreadable: it cannot be read.
    """
    stream = records.stream(_LOG_FILE)

    def read(position: int) -> bytes:
        places = stream.located(position, _HEAD_BYTES)
        return b"".join(window.read(offset, length) for offset, length in places)

    first = read(0)
    if first[:4] == _EMPTY:
        return "empty", None
    page = RESTART_PAGE.parse(first)
    size = page.number("system_page_bytes")
    if page.raw("signature") not in _SIGNATURES:
        got = page.raw("signature").hex()
        raise StructureError(RESTART_PAGE.name, 0, say("signature"), "'RSTR'", got)
    areas = [_area(first)]
    if is_power_of_two(size) and _HEAD_BYTES <= size <= _LARGEST_PAGE:
        second = read(size)
        if second[:4] in _SIGNATURES:
            areas.append(_area(second))
    newest = max(areas, key=lambda area: area.number("current_lsn"))
    unused = newest.number("client_in_use_list") == _NO_CLIENT
    clean = newest.number("flags") & _VOLUME_IS_CLEAN
    return "clean" if unused or clean else "pending", newest.number("current_lsn") or None


def _area(page: bytes) -> Record:
    start = RESTART_PAGE.parse(page).number("restart_offset")
    return RESTART_AREA.parse(page[start : _HEAD_BYTES - 2], start)
