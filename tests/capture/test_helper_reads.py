"""With a helper process the same is read as without, whatever becomes of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.support.failing import Fault
from tests.support.images import MIB, make_ext4
from tests.support.readers import ENDINGS, taken, taken_beside_a_fault
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.root, pytest.mark.tools("mkfs.ext4", "umount")]

FILES = {f"name{number:04}": b"%d " % number * (1 + number % 700) for number in range(2_500)}
"""Small ones: by what opening them costs, enough for a helper process."""

LAST = b"Z" * 60_000
"""Stands behind all others, in the half that the helper process reads."""

SECTOR = 512


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one volume, once."""
    path = tmp_path_factory.mktemp("volumes") / "ext4.img"
    return make_ext4(path, 48 * MIB, {**FILES, "zlast": LAST})


@pytest.mark.parametrize("change", ENDINGS)
def test_helper_when_it_ends_then_the_manifest_is_that_of_one(
    change: str, image: Path, tmp_path: Path
) -> None:
    """Byte for byte, also where the helper is killed on its way or never begins."""
    taken(image, tmp_path / "one", 1)
    header = taken(image, tmp_path / "two", 2, change)
    assert (tmp_path / "two").read_bytes() == (tmp_path / "one").read_bytes()
    contents = header.partitions[0].contents
    assert contents is not None
    assert contents.files_hashed == len(FILES) + 1


def test_helper_when_it_reads_then_every_hash_is_the_files_own(image: Path, tmp_path: Path) -> None:
    """Held against the data that was put in."""
    taken(image, tmp_path / "two", 2)
    found = {entry.path: entry.digest for entry in open_manifest(tmp_path / "two").entries(0)}
    for name, data in {**FILES, "zlast": LAST}.items():
        assert found[f"/{name}"] == blake3(data).hexdigest(), name


def test_helper_when_it_meets_a_bad_sector_then_the_reader_is_patient_alone(
    image: Path, tmp_path: Path
) -> None:
    """The helper asks once and ends; all else is as one reader tells it."""
    at = image.read_bytes().index(LAST[:4096]) + 20 * SECTOR
    fault = Fault(at, at + 1)
    (one, two), rows, reads = taken_beside_a_fault(image, tmp_path, fault)
    assert reads == [1 + 1 + 1, 1 + 1 + 1 + 1]
    assert two.capture.unreadable == one.capture.unreadable != ()
    assert two.capture.owners == one.capture.owners
    assert [item.contents for item in two.partitions] == [item.contents for item in one.partitions]
    assert rows[0] == rows[1]
    assert [entry.path for entry in rows[1] if entry.unhashed] == ["/zlast"]
