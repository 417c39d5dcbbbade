"""Split raw images: their order, their sizes, and what is missing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.support.containers import content
from tests.support.read_image import read_whole
from verify.errors import ImageRefused
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

PIECE = 64 << 10
DATA = content(5 * PIECE + 512)


def split(folder: Path, first: int = 1, width: int = 3, stem: str = "drive.img") -> list[Path]:
    """Write the drive in pieces, as `split -d -a` does."""
    paths = []
    for number, at in enumerate(range(0, len(DATA), PIECE), first):
        paths.append(folder / f"{stem}.{number:0{width}}")
        paths[-1].write_bytes(DATA[at : at + PIECE])
    return paths


@pytest.mark.parametrize(("first", "width"), [(0, 3), (1, 3), (1, 4), (0, 5)])
def test_split_when_it_is_whole_then_its_pieces_are_one_drive(
    first: int, width: int, tmp_path: Path
) -> None:
    """From 0 or from 1, in any width; other files beside it are not of it."""
    paths = split(tmp_path, first, width)
    for other in ("drive.img.txt", "drive.img.00a", "drive.img.0000001", "xdrive.img.002"):
        (tmp_path / other).write_bytes(b"other")
    assert read_whole(paths[0]) == DATA
    with open_drive(paths[0]) as drive:
        assert drive.image is not None
        assert [file.name for file in drive.image.files] == [path.name for path in paths]


def test_split_when_there_are_a_thousand_pieces_then_1000_follows_999(tmp_path: Path) -> None:
    """As `split` counts on."""
    data = content(512 * 1003)
    for number in range(1, 1004):
        (tmp_path / f"drive.{number:03}").write_bytes(data[(number - 1) * 512 : number * 512])
    assert read_whole(tmp_path / "drive.001") == data


@pytest.mark.parametrize("missing", [1, 2, 3, 4])
def test_split_when_a_piece_is_missing_then_it_is_named(missing: int, tmp_path: Path) -> None:
    """Never joined over a gap."""
    paths = split(tmp_path)
    paths[missing].unlink()
    with pytest.raises(ImageRefused, match=paths[missing].name):
        open_drive(paths[0])


def test_split_when_the_last_piece_is_missing_then_that_nothing_shows_it_is_told(
    tmp_path: Path,
) -> None:
    """All pieces that are left are of one length: there is nothing to tell it by."""
    paths = split(tmp_path)
    paths[-1].unlink()
    with open_drive(paths[0]) as drive:
        assert drive.image is not None
        assert "nothing shows" in drive.image.notes[0]


@pytest.mark.parametrize("given", [1, 4])
def test_split_when_another_piece_is_given_then_the_first_is_asked_for(
    given: int, tmp_path: Path
) -> None:
    """With the first there, and with the first gone."""
    paths = split(tmp_path)
    with pytest.raises(ImageRefused, match="not the first piece") as caught:
        open_drive(paths[given])
    assert paths[0].name in caught.value.hint()
    paths[0].unlink()
    with pytest.raises(ImageRefused, match=r"first piece \(drive.img.001\) is missing"):
        open_drive(paths[given])


@pytest.mark.parametrize(
    ("piece", "change", "words"),
    [
        (2, lambda data: data[:-512], "drive.img.003 has 65024 bytes"),
        (2, lambda data: data + bytes(512), "drive.img.003 has 66048 bytes"),
        (5, lambda data: data + bytes(PIECE), "drive.img.006 has"),
        (3, lambda _: b"", "drive.img.004 is empty"),
        (5, lambda data: data[:-1], "last piece is cut short"),
    ],
)
def test_split_when_a_piece_has_another_size_then_it_is_named(
    piece: int, change: object, words: str, tmp_path: Path
) -> None:
    """All but the last are as long as the first."""
    paths = split(tmp_path)
    paths[piece].write_bytes(change(paths[piece].read_bytes()))  # type: ignore[operator]
    with pytest.raises(ImageRefused, match=words):
        open_drive(paths[0])


def test_raw_image_when_its_name_ends_in_a_date_then_it_is_one_whole_image(tmp_path: Path) -> None:
    """Digits that are no number of a piece: no first piece lies beside it."""
    path = tmp_path / "drive.20261130"
    path.write_bytes(DATA)
    assert read_whole(path) == DATA
