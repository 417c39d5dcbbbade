"""The notes that NTFS keeps of every change of a file: when the newest was made.

Source: Microsoft Learn, "USN_RECORD_V2", "USN_RECORD_V3" and "Change Journal Records". A note
stands in the stream $J at the offset that is its number; none crosses a page of 4,096 bytes (common
practice, as open descriptions of the journal have it).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.structs.ntfs import CHANGE_NOTE, CHANGE_NOTE_3

if TYPE_CHECKING:
    from collections.abc import Callable

PAGE_BYTES = 4096

_PAGES = 16
"""So many pages from the end are searched; behind them there is nothing new."""

_BY_VERSION = {2: CHANGE_NOTE, 3: CHANGE_NOTE_3}
_FILETIME_NANOSECONDS = 100
_FILETIME_OF_1970 = 116_444_736_000_000_000
"""SPEC: Microsoft Learn, "FILETIME": units of 100 nanoseconds since 1601-01-01 UTC."""


def newest_note(read: Callable[[int, int], bytes], size: int) -> int | None:
    """Return when the newest note was made, in nanoseconds since 1970 UTC; `None`: there is none.

    `read`: bytes of the stream from an offset. A note that does not stand at its own number ends
    its page: what is behind it is of no journal.
    """
    page = (size - 1) // PAGE_BYTES * PAGE_BYTES
    for at in range(page, max(-1, page - _PAGES * PAGE_BYTES), -PAGE_BYTES):
        times = _times(read(at, min(PAGE_BYTES, size - at)), at)
        if times:
            return (max(times) - _FILETIME_OF_1970) * _FILETIME_NANOSECONDS
    return None


def _times(page: bytes, start: int) -> list[int]:
    """Return the times of a page's notes, as FILETIME."""
    times: list[int] = []
    at = 0
    while at + CHANGE_NOTE.size <= len(page):
        head = CHANGE_NOTE.parse(page[at:])
        length = head.number("record_length")
        structure = _BY_VERSION.get(head.number("major_version"))
        if length < CHANGE_NOTE.size or length % 8 or at + length > len(page):
            break
        if structure is not None and length >= structure.size:
            note = structure.parse(page[at:])
            if note.number("usn") != start + at:
                break
            if note.number("time_stamp") > _FILETIME_OF_1970:
                times.append(note.number("time_stamp"))
        at += length
    return times
