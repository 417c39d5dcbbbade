"""BLAKE3 as this program computes it, against the test vectors that its authors publish."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3

VECTORS = json.loads(Path(__file__).with_name("blake3_vectors.json").read_text(encoding="utf-8"))
"""BLAKE3-team/BLAKE3, test_vectors/test_vectors.json: the file says its version and licence."""

EMPTY = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
ONE_ZERO_BYTE = "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"
"""The first two cases of that file, by hand, so that a damaged copy is seen."""


def vector_input(length: int) -> bytes:
    """Return the input of a case: 0, 1, … 250, 0, 1, … (the file's `_comment`)."""
    return (bytes(range(251)) * (length // 251 + 1))[:length]


def test_vectors_when_counted_then_all_that_were_published_are_there() -> None:
    """35 lengths on both sides of every block, chunk and tree boundary up to 100 KiB."""
    lengths = [case["input_len"] for case in VECTORS["cases"]]
    assert len(lengths) == 35
    assert lengths == sorted(set(lengths))
    assert {0, 1, 63, 64, 65, 1023, 1024, 1025, 31744, 102400} <= set(lengths)
    assert [case["hash"] for case in VECTORS["cases"][:2]] == [EMPTY, ONE_ZERO_BYTE]


@pytest.mark.parametrize("case", VECTORS["cases"], ids=lambda case: str(case["input_len"]))
def test_blake3_when_given_a_published_input_then_the_published_output_comes(
    case: dict[str, Any],
) -> None:
    """Whole, in uneven pieces as files are read, keyed as draws are, and derived as salts are."""
    data = vector_input(case["input_len"])
    assert blake3(data).hexdigest() == case["hash"]
    pieces = blake3()
    for at in range(0, len(data), 777):
        pieces.update(data[at : at + 777])
    assert pieces.hexdigest() == case["hash"]
    assert blake3(data, key=VECTORS["key"].encode()).hexdigest() == case["keyed_hash"]
    derived = blake3(data, derive_key_context=VECTORS["context_string"])
    assert derived.hexdigest() == case["derive_key"]
