"""Counting zero bits and zero fields: against plain loops, and at the edges."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.filesystem.free_counting import zero_bits, zero_entries


@given(st.binary(max_size=64), st.integers(min_value=0, max_value=600), st.integers(1, 20))
def test_zero_bits_when_in_any_pieces_then_equals_a_plain_loop(
    data: bytes, bits: int, step: int
) -> None:
    """How the bytes are cut changes nothing; too few bytes are no count."""
    pieces = [data[at : at + step] for at in range(0, len(data), step)]
    plain = [not data[bit // 8] >> bit % 8 & 1 for bit in range(min(bits, 8 * len(data)))]

    assert zero_bits(pieces, bits) == (sum(plain) if bits <= 8 * len(data) else None)


@pytest.mark.parametrize(("width", "used"), [(12, 12), (16, 16), (32, 28)])
@given(data=st.data())
def test_zero_entries_when_of_a_fat_then_equals_a_plain_loop(
    width: int, used: int, data: st.DataObject
) -> None:
    """FAT12, FAT16, FAT32: the top four bits of a FAT32 entry do not count."""
    special = st.sampled_from([0, 1, (1 << used) - 1, 1 << (width - 1), (1 << width) - 1])
    entries = data.draw(st.lists(st.integers(0, (1 << width) - 1) | special, min_size=1))
    row = sum(entry << (width * index) for index, entry in enumerate(entries))
    piece = row.to_bytes(-(-width * len(entries) // 8), "little")

    plain = sum(not entry & ((1 << used) - 1) for entry in entries)
    assert zero_entries(piece, width, used, len(entries)) == plain
