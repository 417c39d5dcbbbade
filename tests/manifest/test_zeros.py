"""Zero blocks are counted as by looking at every block, and kept in rows that have any."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.filesystem.entry import Entry
from verify.manifest.row import RowError, decode_entry, encode_entry, parse_line
from verify.manifest.zeros import ZERO_BLOCK_BYTES, Zeros


def counted(data: bytes, step: int) -> tuple[int, bool]:
    """Count in steps of so many blocks."""
    zeros = Zeros()
    for at in range(0, len(data), step * ZERO_BLOCK_BYTES):
        zeros.see(data[at : at + step * ZERO_BLOCK_BYTES])
    return zeros.blocks, zeros.tail


def by_hand(data: bytes) -> tuple[int, bool]:
    """Count block by block, with nothing clever."""
    blocks = [data[at : at + 4096] for at in range(0, len(data), 4096)]
    whole = [block for block in blocks if len(block) == 4096]
    rest = [block for block in blocks if len(block) < 4096]
    return sum(set(block) == {0} for block in whole), any(set(block) == {0} for block in rest)


@given(
    st.lists(st.sampled_from(["zeros", "data", "begins", "ends", "first"]), max_size=12),
    st.integers(0, 4095),
    st.booleans(),
    st.integers(1, 5),
)
def test_zeros_when_counted_in_steps_then_as_block_by_block(
    kinds: list[str],
    rest: int,
    blank: bool,  # noqa: FBT001 - hypothesis names it
    step: int,
) -> None:
    """Blocks of zeros, of data, and with a single byte at either end."""
    chance = random.Random(5)
    made = {
        "zeros": bytes(4096),
        "data": chance.randbytes(4096),
        "begins": b"\1" + bytes(4095),
        "ends": bytes(4095) + b"\1",
        "first": bytes(1) + chance.randbytes(4095),
    }
    tail = bytes(rest) if blank else chance.randbytes(rest)
    data = b"".join(made[kind] for kind in kinds) + tail
    assert counted(data, step) == by_hand(data)


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, 8192])
def test_zeros_when_all_is_zero_then_every_block_is(size: int) -> None:
    """Both sides of the block's length; an empty file has none."""
    assert counted(bytes(size), 1) == (size // 4096, size % 4096 > 0)


def test_row_when_a_file_has_zero_blocks_then_they_come_back_and_else_nothing_is_written() -> None:
    """Rows without them are those of before."""
    plain = Entry("file", "/a", size=9000, digest="ab" * 32)
    assert b"zero" not in encode_entry(plain)
    for blocks, tail in ((2, False), (0, True), (2, True)):
        entry = Entry("file", "/a", size=9000, zero_blocks=blocks, zero_tail=tail)
        assert decode_entry(parse_line(encode_entry(entry))) == entry
    row = json.loads(encode_entry(plain)) | {"zero_blocks": "2"}
    with pytest.raises(RowError):
        decode_entry(row)
