"""A short campaign of random damage: no image gives other bytes without a word."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import pytest

from tests.bench.damage_images import REFUSED, SAME, is_faulty, run

if TYPE_CHECKING:
    from pathlib import Path

FORMS = ("VHD, dynamic", "VHDX, dynamic", "VMDK, sparse", "VMDK, stream")


@pytest.mark.tools("qemu-img")
def test_images_when_damaged_at_random_then_no_byte_is_wrong_without_a_word(
    tmp_path: Path,
) -> None:
    """`python -m tests.bench.damage_images` does thousands, of every form."""
    cases = list(run(tmp_path, 40, 20, FORMS))
    assert [case for case in cases if is_faulty(case[2])] == []
    counts = Counter(verdict for _, _, verdict in cases)
    assert min(counts[SAME], counts[REFUSED]) > 0
