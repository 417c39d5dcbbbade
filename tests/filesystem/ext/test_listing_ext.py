"""Listing ext2, ext3 and ext4: volumes filled by mke2fs, with the features that change data."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import file_window
from verify.errors import ReaderError
from verify.filesystem.open import open_volume

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.filesystem.volume import Volume

pytestmark = pytest.mark.tools("mke2fs")

FEATURES = {
    "ext2": ["-t", "ext2"],
    "ext3": ["-t", "ext3"],
    "ext4": ["-t", "ext4"],
    "ext4-inline": ["-t", "ext4", "-O", "inline_data", "-I", "256"],
    "ext4-1k": ["-t", "ext4", "-b", "1024", "-O", "^64bit,metadata_csum"],
    "ext4-meta_bg": ["-t", "ext4", "-O", "meta_bg,^resize_inode"],
}


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the folder that every volume is filled from."""
    tree = tmp_path_factory.mktemp("tree")
    (tree / "empty").touch()
    (tree / "tiny").write_bytes(b"inline")
    (tree / "large").write_bytes(os.urandom(3_000_000))
    with (tree / "sparse").open("wb") as file:
        file.seek(5 << 20)
        file.write(b"the end")
    Path(os.fsdecode(bytes(tree) + b"/no-text-\xff\xfe")).write_bytes(b"bytes that are no text")
    (tree / "Grüße-日本語-🙂").write_bytes(b"names")
    (tree / "folder").mkdir()
    (tree / "folder" / "inside").write_bytes(b"inside")
    os.link(tree / "large", tree / "large-again")
    (tree / "short-link").symlink_to("large")
    (tree / "long-link").symlink_to("x" * 200)
    many = tree / "many"
    many.mkdir()
    for number in range(2_000):
        (many / f"{number:05}").touch()
    return tree


def make(tree: Path, folder: Path, options: list[str]) -> Volume:
    """Make a volume of that tree and open it as the tool does."""
    image = folder / "volume.img"
    with image.open("wb") as file:
        file.truncate(48 << 20)
    subprocess.run(["mke2fs", "-q", "-F", *options, "-d", tree, image], check=True)
    return open_volume(file_window(image), options[1])


def read_back(tree: Path) -> dict[str, bytes]:
    """Return every file's bytes by its path, as the tool writes paths."""
    found: dict[str, bytes] = {}
    for folder, _, leaves in os.walk(tree):
        for leaf in leaves:
            path = Path(folder) / leaf
            if not path.is_symlink():
                found["/" + str(path.relative_to(tree))] = path.read_bytes()
    return found


@pytest.mark.parametrize("features", FEATURES)
def test_contents_when_mke2fs_filled_it_then_every_name_and_byte_is_there(
    features: str, tree: Path, tmp_path: Path
) -> None:
    """Inline data, extents or none, 1 KiB blocks, checksums, names that are no text."""
    volume = make(tree, tmp_path, FEATURES[features])
    entries = {entry.path: entry for entry in volume.entries()}
    wanted = read_back(tree)
    files = {path for path, entry in entries.items() if entry.kind == "file"}
    assert files == wanted.keys()
    for path, data in wanted.items():
        assert _whole(volume, entries[path]) == data, path
    assert not volume.incomplete


def _whole(volume: Volume, entry: Entry) -> bytes:
    step = 1 << 20
    return b"".join(
        volume.read(entry, at, min(step, entry.size - at)) for at in range(0, entry.size, step)
    )


def test_links_when_listed_then_symbolic_ones_have_targets_and_hard_ones_one_node(
    tree: Path, tmp_path: Path
) -> None:
    """A short target stands in the inode, a long one in a block."""
    entries = {item.path: item for item in make(tree, tmp_path, FEATURES["ext4"]).entries()}
    assert entries["/short-link"].target == "large"
    assert entries["/long-link"].target == "x" * 200
    assert entries["/large"].node == entries["/large-again"].node
    assert entries["/large"].links == 2


def test_folders_when_listed_then_lost_and_found_is_one_and_the_root_is_none(
    tree: Path, tmp_path: Path
) -> None:
    """lost+found is an ordinary folder to every other program as well (debugfs lists it)."""
    entries = make(tree, tmp_path, FEATURES["ext4"]).entries()
    folders = {entry.path for entry in entries if entry.kind == "folder"}
    assert folders == {"/lost+found", "/folder", "/many"}


def test_volume_when_its_blocks_are_clustered_then_it_is_refused_in_words(
    tree: Path, tmp_path: Path
) -> None:
    """The library does not take bigalloc: no listing is made up."""
    with pytest.raises(ReaderError, match="open the filesystem"):
        make(tree, tmp_path, ["-t", "ext4", "-O", "bigalloc"])
