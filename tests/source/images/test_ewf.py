"""E01 images: by a builder after the format's description, held to libewf, and damaged."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest

from tests.support.containers import CHUNK, SECTOR, content, e01
from tests.support.read_image import flipped, read_whole, what_becomes_of
from verify.errors import ImageRefused, SourceForeign, SourceUnreadable
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

DATA = content(20 * CHUNK + 5 * SECTOR)
MIXED = (True, False, False)


@pytest.mark.parametrize("segments", [1, 3])
@pytest.mark.parametrize("packed", [(True,), (False,), MIXED])
def test_e01_when_made_by_the_description_then_a_second_reader_agrees(
    segments: int, packed: tuple[bool, ...], tmp_path: Path
) -> None:
    """Libewf reads the builder's files as we do: the cases below damage right ones."""
    pyewf = pytest.importorskip("pyewf")
    path = e01(tmp_path, DATA, segments=segments, packed=packed)
    other = pyewf.handle()
    other.open(pyewf.glob(str(path)))
    assert other.read_buffer_at_offset(len(DATA), 0) == DATA == read_whole(path)
    other.close()
    with open_drive(path) as drive:
        assert drive.image is not None
        assert len(drive.image.files) == segments
        assert [item.algorithm for item in drive.image.hashes] == ["md5"]


def test_e01_when_a_byte_of_it_flips_then_it_is_refused_or_unreadable_or_the_same(
    tmp_path: Path,
) -> None:
    """Every structure and every chunk has a checksum: no flip gives other bytes of the drive."""
    path = e01(tmp_path, DATA, packed=MIXED)
    whole, chance = path.read_bytes(), random.Random(3)
    seen = set()
    for at in [*range(2_000), *chance.sample(range(2_000, len(whole)), 600)]:
        path.write_bytes(flipped(whole, at, chance.randrange(8)))
        found = what_becomes_of(path)
        assert found in ("refused", "unreadable", DATA), at
        seen.add(found if isinstance(found, str) else "same")
    assert seen == {"refused", "unreadable", "same"}


def test_e01_when_a_chunk_is_damaged_then_it_alone_is_unreadable(tmp_path: Path) -> None:
    """Its sectors are named, and everything else is read."""
    path = e01(tmp_path, DATA, packed=(False,))
    whole = path.read_bytes()
    at = whole.index(DATA[300 << 10 : (300 << 10) + 64])  # NOTE: in chunk 9, the first after zeros
    path.write_bytes(flipped(whole, at))
    with open_drive(path, retries=0) as drive:
        with pytest.raises(SourceUnreadable):
            drive.read_at(0, len(DATA))
        bad = [(start, SECTOR) for start in range(9 * CHUNK, 10 * CHUNK, SECTOR)]
        assert drive.unreadable == bad
        assert drive.read_at(0, 9 * CHUNK) == DATA[: 9 * CHUNK]
        assert drive.read_at(10 * CHUNK, len(DATA) - 10 * CHUNK) == DATA[10 * CHUNK :]


def test_e01_when_sectors_were_lost_when_it_was_made_then_they_are_unreadable(
    tmp_path: Path,
) -> None:
    """The image has zeros for them, with right checksums: only its list of read errors knows."""
    path = e01(tmp_path, DATA, bad_sectors=[(3, 2), (70, 1)])
    with open_drive(path, retries=0) as drive:
        assert drive.image is not None
        assert drive.image.notes[0].startswith("3 sectors could not be read")
        with pytest.raises(SourceUnreadable):
            drive.read_at(0, len(DATA))
        assert drive.unreadable == [(at * SECTOR, SECTOR) for at in (3, 4, 70)]


def test_e01_when_a_segment_is_missing_then_it_is_named(tmp_path: Path) -> None:
    """Whichever: the last, too."""
    path = e01(tmp_path, DATA, segments=3)
    for number in (3, 2):
        (tmp_path / f"drive.E0{number}").unlink()
        with pytest.raises(
            ImageRefused, match=rf"segment {number} \(drive.E0{number}\) is missing"
        ):
            open_drive(path)


def test_e01_when_segments_are_swapped_or_strange_then_it_is_refused(tmp_path: Path) -> None:
    """By the number in each file, and by what the first says of the set."""
    path = e01(tmp_path, DATA, segments=3)
    second, third = tmp_path / "drive.E02", tmp_path / "drive.E03"
    kept = second.read_bytes()
    second.write_bytes(third.read_bytes())
    with pytest.raises(ImageRefused, match="its segment 3, not segment 2"):
        open_drive(path)
    with pytest.raises(ImageRefused, match="not segment 1") as caught:
        open_drive(third)
    assert "first file" in caught.value.hint()
    (tmp_path / "other").mkdir()
    other = e01(tmp_path / "other", content(30 * CHUNK, seed=9), segments=3)
    second.write_bytes(other.with_suffix(".E02").read_bytes())
    with pytest.raises(ImageRefused, match="another image"):
        open_drive(path)
    second.write_bytes(kept)
    assert read_whole(path) == DATA


def test_e01_when_a_file_is_empty_or_cut_then_it_is_refused_at_once(tmp_path: Path) -> None:
    """At any length."""
    path = e01(tmp_path, DATA, segments=2)
    second = tmp_path / "drive.E02"
    whole = second.read_bytes()
    for length in [0, 5, 13, 40, 89, *range(100, len(whole), len(whole) // 40), len(whole) - 1]:
        second.write_bytes(whole[:length])
        with pytest.raises(ImageRefused):
            open_drive(path)
    path.write_bytes(b"")
    with pytest.raises(SourceForeign, match="empty"):
        open_drive(path)


def test_e01_when_there_are_more_than_99_segments_then_eaa_follows_e99(tmp_path: Path) -> None:
    """EWF 1, "Segment files": E99, EAA, EAB."""
    data = content(101 * CHUNK)
    path = e01(tmp_path, data, segments=101)
    (tmp_path / "drive.E100").rename(tmp_path / "drive.EAA")
    (tmp_path / "drive.E101").rename(tmp_path / "drive.EAB")
    assert read_whole(path) == data
