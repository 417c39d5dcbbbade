"""Folders and inodes of ext read without the library: against it, and against the kernel."""

from __future__ import annotations

import os
import random
import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.ext.making import KERNEL_REFUSES, VARIANTS, fill, make, mounted
from tests.support.drives import file_window, memory_window
from verify.errors import ReaderError
from verify.filesystem.ext.folder_names import DamagedFolderError, names_in
from verify.filesystem.ext.listing import ExtListing

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.entry import Entry
    from verify.source.window import Window

pytestmark = pytest.mark.tools("mke2fs")

NO_LIBRARY = {"ext4-bigalloc", "ext4-bigalloc-4k"}
"""What the library does not take at all."""


def listed(window: Window) -> tuple[list[Entry], list[str]]:
    """List a volume by its folders and inodes."""
    volume = ExtListing(window)
    return list(volume.entries()), volume.incomplete


def walked(window: Window) -> tuple[list[Entry], list[str]]:
    """List a volume by the library's walk."""
    volume = ExtListing(window)
    volume.plain = None
    return list(volume.entries()), volume.incomplete


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the folder that volumes are filled from."""
    return fill(tmp_path_factory.mktemp("ext") / "tree")


@pytest.mark.parametrize("variant", sorted(VARIANTS.keys() - NO_LIBRARY))
def test_listing_when_a_volume_is_sound_then_it_is_what_the_library_walks(
    variant: str, tree: Path, tmp_path: Path
) -> None:
    """Sizes, times, places, links, owners, attributes, in volumes of every make."""
    window = file_window(make(tree, tmp_path / "volume.img", VARIANTS[variant]))
    assert listed(window) == walked(window)


def make_worn(image: Path, variant: str) -> None:
    """Have the kernel write, delete, and write between what is left."""
    with mounted(image) as place:
        folder = place / "worn"
        folder.mkdir()
        for number in range(700):
            (folder / f"{number:04}-{'n' * (number % 200)}").write_bytes(b"1" * (number % 9000))
        for number in range(0, 700, 3):
            next(folder.glob(f"{number:04}-*")).unlink()
        with (folder / "pieces").open("wb") as file:
            for piece in range(0, 400, 2):
                file.seek(piece * 8192)
                file.write(b"p" * 4096)
        if variant.startswith("ext4"):
            subprocess.run(["fallocate", "-l", "1M", folder / "ahead"], check=True)
        os.mknod(folder / "device", 0o020644, os.makedev(1, 3))
        os.setxattr(folder / "pieces", "user.note", b"of its own")
        os.setxattr(folder / "pieces", "user.long", b"x" * 700)
        os.utime(folder / "pieces", ns=(0, -315_619_200_123_456_789))
        os.utime(folder / "device", ns=(0, 4_102_444_800_000_000_123))


@pytest.mark.parametrize("variant", ["ext2", "ext3", "ext4", "ext4-128-byte-inodes"])
def test_listing_when_the_kernel_wrote_then_it_is_the_librarys_and_the_kernels(
    variant: str, tmp_path: Path
) -> None:
    """Deleted names are left out, holes and blocks set aside have no place; times by `stat`."""
    assert variant not in KERNEL_REFUSES
    image = make(None, tmp_path / "volume.img", VARIANTS[variant], size="64M")
    make_worn(image, variant)
    window = file_window(image)
    found, incomplete = listed(window)
    assert (found, incomplete) == walked(window)
    assert not incomplete
    with mounted(image, "ro") as place:
        theirs = {
            f"/{path.relative_to(place)}": path.lstat()
            for path in place.rglob("*")
            if "lost+found" not in str(path)
        }
    ours = {entry.path: entry for entry in found if "lost+found" not in entry.path}
    assert ours.keys() == theirs.keys()
    for path, wanted in theirs.items():
        entry = ours[path]
        assert entry.modified == wanted.st_mtime_ns, path
        assert (entry.node, entry.mode) == (wanted.st_ino, wanted.st_mode & 0o7777)
        if entry.kind == "file":
            assert (entry.size, entry.links) == (wanted.st_size, wanted.st_nlink)


def test_listing_when_a_volume_is_plain_then_the_library_is_not_asked(
    tree: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """But for a long link and a file in many pieces; the time it takes would grow with its square.

    A foreign volume with 65,000 folders in one took minutes that way.
    """
    window = file_window(make(tree, tmp_path / "volume.img", VARIANTS["ext4"]))
    asked: list[str] = []
    opened = ExtListing._opened  # noqa: SLF001 - the way to the library

    def noted(self: ExtListing, path: str, number: int, kind: int, parent: int) -> Entry:
        asked.append(path)
        return opened(self, path, number, kind, parent)

    monkeypatch.setattr(ExtListing, "_opened", noted)
    monkeypatch.setattr(ExtListing, "_by_library", None)
    found, _ = listed(window)
    assert len(found) > 300
    assert asked == ["/long-link"]


@pytest.mark.parametrize("seed", range(40))
def test_folders_when_bytes_are_overwritten_then_no_name_is_lost_without_a_word(
    seed: int, tree: Path, tmp_path: Path
) -> None:
    """Random bytes in one folder's block: each of its names is listed, or the damage is named."""
    image = make(tree, tmp_path / "volume.img", VARIANTS["ext4-no-checksums"])
    data = bytearray(image.read_bytes())
    whole, _ = listed(memory_window(bytes(data)))
    names = {entry.path for entry in whole if entry.path.startswith("/many/")}
    chance = random.Random(seed)
    start = data.index(b"a-name-00100") & ~1023
    for _ in range(3):
        data[start + chance.randrange(1024)] = chance.randrange(256)
    try:
        found, incomplete = listed(memory_window(bytes(data)))
    except ReaderError:
        return
    there = [entry.path for entry in found if entry.path.startswith("/many/")]
    renamed = len(set(there) - names)
    unread = sum(entry.unhashed is not None for entry in found)
    assert incomplete or len(there) == len(names) or renamed + unread, (seed, len(there))
    assert len(set(there)) == len(there) or incomplete


def entry_bytes(inode: int, length: int, name: bytes, kind: int = 1) -> bytes:
    """An entry as directory.rst has it."""
    return (struct.pack("<IHBB", inode, length, len(name), kind) + name).ljust(length, b"\0")


SELF = entry_bytes(20, 12, b".", 2) + entry_bytes(2, 12, b"..", 2)


@pytest.mark.parametrize(
    "block",
    [
        entry_bytes(20, 12, b".", 2) + entry_bytes(2, 1012, b"xx", 2),
        SELF + entry_bytes(30, 1004, b"a")[:1000],
        SELF + entry_bytes(30, 996, b"a") + bytes(4),
        SELF + entry_bytes(30, 10, b"a") + entry_bytes(31, 990, b"b"),
        SELF + entry_bytes(30, 12, b"too long a name") + entry_bytes(31, 988, b"b"),
        SELF + entry_bytes(30, 1000, b"a/b"),
        SELF + entry_bytes(30, 1000, b""),
    ],
    ids=["no-parent", "past-the-end", "cut", "not-aligned", "name-too-long", "slash", "empty"],
)
def test_block_when_it_is_damaged_then_none_of_its_names_is_given(block: bytes) -> None:
    """What Linux's __ext4_check_dir_entry refuses, and names that no program can use."""
    with pytest.raises(DamagedFolderError):
        names_in(block, 20)


def test_block_when_it_is_whole_then_entries_in_use_are_given() -> None:
    """An entry with inode 0 is not in use, a checksum at the end is one of those."""
    block = SELF + entry_bytes(30, 16, b"one") + entry_bytes(0, 972, b"gone")
    assert names_in(block + entry_bytes(0, 12, b"", 0xDE), 20) == [(30, b"one", 1)]
