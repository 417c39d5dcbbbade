"""The bytes in front of the first partition: how much of them is hashed, at which depth."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from verify.capture import gaps
from verify.capture.gaps import read_gap
from verify.source.drive import open_drive
from verify.table.read import read_table

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from verify.manifest.header import RawDigest

FIRST_LBA, SECTORS = 6144, 2048
WHOLE, MOST = FIRST_LBA - 1, 1 << 20


def image(folder: Path, at: int) -> Path:
    """Make a drive whose MBR (16-byte records from 446) has one partition, and one byte at `at`."""
    path = folder / f"{at}.img"
    record = struct.pack("<8BII", 0, 0, 0, 0, 7, 0, 0, 0, FIRST_LBA, SECTORS)
    with path.open("wb") as file:
        file.truncate((FIRST_LBA + SECTORS) * 512)
        file.seek(446)
        file.write(record)
        file.seek(510)
        file.write(b"\x55\xaa")
        file.seek(at)
        file.write(b"\x01")
    return path


def gap_of(path: Path, *, whole: bool) -> RawDigest:
    """Read the gap of an image."""
    with open_drive(str(path)) as drive:
        gap = read_gap(drive, read_table(drive, sector_bytes=512, sector_known=True), whole=whole)
    assert gap is not None
    assert gap.sectors == WHOLE
    return gap


def test_gap_when_the_depth_is_full_then_its_last_byte_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A byte behind the limit is seen at depth `full`; below, that it was not read is said."""
    monkeypatch.setattr(gaps, "MOST_GAP_BYTES", MOST)
    near, far = image(tmp_path, MOST - 1), image(tmp_path, FIRST_LBA * 512 - 1)
    assert gap_of(near, whole=True).digest != gap_of(far, whole=True).digest
    assert gap_of(far, whole=True).content_bytes == WHOLE * 512
    assert gap_of(far, whole=True).reason is None
    assert gap_of(far, whole=False).content_bytes == 0
    assert "only its first" in str(gap_of(far, whole=False).reason)
