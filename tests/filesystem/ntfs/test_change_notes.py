"""When the newest note in NTFS's journal of changes was made.

Notes are packed after Microsoft Learn, USN_RECORD_V2 and USN_RECORD_V3; the times by FILETIME.
"""

from __future__ import annotations

import struct

import pytest

from verify.filesystem.ntfs.change_notes import PAGE_BYTES, newest_note

EPOCH = 116_444_736_000_000_000
"""1970-01-01 as FILETIME (Microsoft Learn, "Converting a time_t value to a FILETIME")."""

NAME = "a.txt".encode("utf-16-le")


def note(number: int, seconds: int, *, version: int = 2) -> bytes:
    """Return a note that stands at its number."""
    references = struct.pack("<QQ" if version == 2 else "<QQQQ", *((5,) * (version * 2 - 2)))
    rest = struct.pack("<qqIIIIHH", number, EPOCH + seconds * 10**7, 1, 0, 0, 32, len(NAME), 0)
    length = (8 + len(references) + len(rest) + len(NAME) + 7) // 8 * 8
    return (struct.pack("<IHH", length, version, 0) + references + rest + NAME).ljust(length, b"\0")


def stream(*pages: bytes) -> bytes:
    """Return pages as $J has them."""
    return b"".join(page.ljust(PAGE_BYTES, b"\0") for page in pages)


def newest(data: bytes) -> int | None:
    """Ask the code under test."""
    return newest_note(lambda at, length: data[at : at + length], len(data))


@pytest.mark.parametrize("version", [2, 3])
def test_note_when_there_are_some_then_the_newest_is_told(version: int) -> None:
    """The clock may have been set back: the newest need not be the last."""
    first = note(0, 1_700_000_000, version=version)
    second = note(len(first), 1_600_000_000, version=version)
    assert newest(stream(first + second)) == 1_700_000_000 * 10**9


def test_note_when_the_last_page_has_none_then_the_page_before_tells() -> None:
    """A page of zeros at the end, as before it is written."""
    assert newest(stream(note(0, 1_700_000_000), b"")) == 1_700_000_000 * 10**9


def test_note_when_it_stands_elsewhere_then_it_is_of_no_journal() -> None:
    """Clusters that were somebody else's: a number that is not its place."""
    assert newest(stream(note(8192, 1_700_000_000))) is None


@pytest.mark.parametrize(
    "data",
    [b"", b"\0" * 100, b"\xff" * PAGE_BYTES, note(0, 1)[:40], struct.pack("<IHH", 8, 2, 0) * 512],
    ids=["empty", "zeros", "ones", "cut", "too short"],
)
def test_note_when_there_is_no_whole_one_then_none(data: bytes) -> None:
    """Any bytes give an answer."""
    assert newest(data) is None
