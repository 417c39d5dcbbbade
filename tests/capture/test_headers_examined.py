"""Kinds that are read as blocks: their headers are examined in the same reader process."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.filesystem.opaque.test_examine_headers import BLOCKS, bitlocker, flipped
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions

if TYPE_CHECKING:
    from pathlib import Path

    from verify.manifest.base import Depth


@pytest.mark.parametrize("depth", ["layout", "sample", "full"])
def test_capture_when_a_volume_is_locked_then_its_headers_are_examined_at_every_depth(
    tmp_path: Path, depth: Depth
) -> None:
    """Three blocks of BitLocker's metadata, one damaged; what is read of the rest is as before."""
    image = tmp_path / "locked.img"
    image.write_bytes(flipped(bitlocker(), BLOCKS[1] + 100))
    options = CaptureOptions(depth=depth, given_as="drive")
    header = capture(str(image), tmp_path / f"{depth}.manifest", options)
    (item,) = header.partitions
    assert item.examination is not None
    assert item.examination.allocation is None
    assert [fault.place for fault in item.examination.structure.faults] == ["copy 2"]
    assert (item.contents is None) == (depth == "layout")
    reasons = [unread.reason for unread in item.unread]
    layout = "depth layout reads no contents"
    assert (layout in reasons) == (depth == "layout")
