"""With a helper process the same is listed as without, whatever becomes of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.support.failing import Fault
from tests.support.images import MIB, make_ext4
from tests.support.readers import ENDINGS, taken, taken_beside_a_fault
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from pathlib import Path

    from verify.capture.readers.task import Depth

pytestmark = [pytest.mark.root, pytest.mark.tools("mkfs.ext4", "umount")]

FEW_ON_TOP = "tree.MOST_BRANCHES = 3"
"""Else so small a volume is listed whole by reading what is on top."""

FOLDERS = 9
FILES = {
    f"folder{top}/deeper{below}/name{number:03}": b"%d %d" % (top, number)
    for top in range(FOLDERS)
    for below in range(2)
    for number in range(60)
} | {"before": b"a file on top", "folder2b": b"one between folders", "zuletzt": b"the last"}


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one volume, once."""
    return make_ext4(tmp_path_factory.mktemp("volumes") / "ext4.img", 48 * MIB, FILES)


@pytest.mark.parametrize("depth", ["layout", "sample", "full"])
@pytest.mark.parametrize("ending", ENDINGS)
def test_helper_when_it_lists_then_the_manifest_is_that_of_one(
    ending: str, depth: Depth, image: Path, tmp_path: Path
) -> None:
    """Byte for byte, also where the helper is killed on its way or never begins."""
    taken(image, tmp_path / "one", 1, FEW_ON_TOP, depth)
    taken(image, tmp_path / "two", 2, f"{FEW_ON_TOP};{ending}", depth)
    assert (tmp_path / "two").read_bytes() == (tmp_path / "one").read_bytes()


def test_helper_when_it_lists_then_every_name_stands_once_in_its_place(
    image: Path, tmp_path: Path
) -> None:
    """Held against the names that were written, and against the order of code points."""
    taken(image, tmp_path / "two", 2, FEW_ON_TOP, "layout")
    paths = [entry.path for entry in open_manifest(tmp_path / "two").entries(0)]
    folders = {"/lost+found"} | {
        "/" + "/".join(name.split("/")[:depth])
        for name in FILES
        for depth in range(1, name.count("/") + 1)
    }
    assert paths == sorted(
        folders | {f"/{name}" for name in FILES}, key=lambda path: path.split("/")
    )


def test_helper_when_it_meets_a_bad_sector_then_the_reader_tells_it(
    image: Path, tmp_path: Path
) -> None:
    """The folder that cannot be read is reported once, by the process that tries again."""
    data = image.read_bytes()
    folder = data.rindex(b"name000")  # in the block of the last folder that was written
    at = folder - folder % 1024
    fault = Fault(at, at + 1)
    told, rows, reads = taken_beside_a_fault(image, tmp_path, fault, FEW_ON_TOP, "layout")
    assert reads[0] >= 1
    assert reads[1] >= 2
    one, two = told
    folders = [[item.reason.split(": ")[0] for item in side.unread] for side in told]
    assert folders[0] == folders[1]
    assert len(folders[0]) == 1
    assert two.capture.unreadable == one.capture.unreadable != ()
    assert rows[0] == rows[1]
    assert 0 < len(rows[0]) < len(FILES)
