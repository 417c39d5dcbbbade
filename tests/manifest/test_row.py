"""Rows keep every field and every name; a malformed row is refused."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.filesystem.entry import Entry, Stream
from verify.manifest.row import (
    Block,
    RowError,
    decode_block,
    decode_entry,
    encode_block,
    encode_entry,
    parse_line,
)

numbers = st.integers(0, 1 << 63)
names = st.text(st.characters(), max_size=40)  # includes lone surrogates and control codes
digests = st.none() | st.just("ab" * 32)
entries = st.builds(
    Entry,
    kind=st.sampled_from(["file", "folder", "link", "other"]),
    path=names.map(lambda name: "/" + name),
    size=numbers,
    modified=st.none() | st.integers(-(1 << 62), 1 << 62),
    node=numbers,
    links=st.integers(1, 1024),
    extents=st.lists(st.tuples(numbers, numbers), max_size=4),
    streams=st.lists(st.builds(Stream, name=names, size=numbers, digest=digests), max_size=3),
    attributes=st.none() | st.integers(0, 1 << 32),
    mode=st.none() | st.integers(0, 0o7777),
    owner=st.none() | st.just("S-1-5-18"),
    security=st.none() | st.just("ab" * 8),
    short=st.none() | names,
    extended=st.lists(st.tuples(names, st.just("ef" * 8)), max_size=3),
    reparse=st.none() | st.just("80000017"),
    reparse_digest=digests,
    target=st.none() | names,
    digest=digests,
    blocks=st.lists(st.tuples(numbers, st.just("cd" * 32)), max_size=3),
    unhashed=st.none() | names,
    boot=st.booleans(),
    placed=st.booleans(),
)


@given(entries)
def test_entry_when_written_and_read_then_nothing_changed(entry: Entry) -> None:
    """Names that are no valid text included; a row is always one line of ASCII."""
    line = encode_entry(entry)
    assert line.count(b"\n") == 1
    assert line.isascii()
    assert decode_entry(parse_line(line)) == entry


def test_block_when_written_and_read_then_nothing_changed() -> None:
    """With a digest, and without one where the block could not be read."""
    for block in (Block(0, "ab" * 32), Block(1 << 40, None)):
        assert decode_block(parse_line(encode_block(block))) == block


@pytest.mark.parametrize(
    "row",
    [
        {},
        {"kind": "file"},
        {"kind": "elephant", "path": "/a", "node": 1},
        {"kind": "file", "path": "a", "node": 1},
        {"kind": "file", "path": 7, "node": 1},
        {"kind": "file", "path": "/a", "size": "9"},
        {"kind": "file", "path": "/a", "size": True},
        {"kind": "file", "path": "/a", "digest": 4},
        {"kind": "file", "path": "/a", "streams": [["x"]]},
        {"kind": "file", "path": "/a", "extents": 5},
    ],
)
def test_entry_when_a_field_is_wrong_then_the_row_is_refused(row: dict[str, Any]) -> None:
    """A manifest may come from anywhere: a malformed row is named, not guessed at."""
    with pytest.raises(RowError):
        decode_entry(row)


@pytest.mark.parametrize("line", [b"", b"{", b"[1]", b"null", b"\xff\xfe", b"[" * 100_000])
def test_line_when_it_is_no_object_then_it_is_refused(line: bytes) -> None:
    """Deeply nested lines included."""
    with pytest.raises(RowError):
        parse_line(line)
