"""ext volumes for the examination: made by mke2fs, filled, used, and copied while in use."""

from __future__ import annotations

import os
import shutil
import subprocess
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tests.filesystem.made import run
from tests.support.drives import file_window
from verify.filesystem.examination import Effect
from verify.filesystem.ext.examine import examine_ext

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from verify.filesystem.examination import Examination, Fault

VARIANTS = {
    "ext2": "-t ext2",
    "ext2-4k": "-t ext2 -b 4096",
    "ext2-revision-0": "-t ext2 -r 0 -b 1024",
    "ext3": "-t ext3",
    "ext4": "-t ext4",
    "ext4-2k": "-t ext4 -b 2048",
    "ext4-4k": "-t ext4 -b 4096",
    "ext4-64k": "-t ext4 -b 65536 -N 4096 -O ^has_journal",
    "ext4-32bit": "-t ext4 -O ^64bit",
    "ext4-uninit_bg": "-t ext4 -O ^metadata_csum,uninit_bg",
    "ext4-no-checksums": "-t ext4 -O ^metadata_csum",
    "ext4-seed": "-t ext4 -O metadata_csum_seed",
    "ext4-128-byte-inodes": "-t ext4 -I 128",
    "ext4-no-flex": "-t ext4 -O ^flex_bg",
    "ext4-meta_bg": "-t ext4 -O meta_bg,^resize_inode",
    "ext4-sparse_super2": "-t ext4 -O sparse_super2",
    "ext4-all-superblocks": "-t ext4 -O ^sparse_super,^resize_inode",
    "ext4-small-groups": "-t ext4 -g 256 -b 1024",
    "ext4-bigalloc": "-t ext4 -O bigalloc -b 1024 -C 16384",
    "ext4-bigalloc-4k": "-t ext4 -O bigalloc -b 4096 -C 65536",
    "ext4-inline": "-t ext4 -O inline_data",
    "ext4-ea_inode": "-t ext4 -O ea_inode,large_dir",
    "ext4-casefold": "-t ext4 -O casefold",
    "ext4-encrypt": "-t ext4 -O encrypt,verity,stable_inodes",
    "ext4-quota": "-t ext4 -O quota,project",
    "ext4-mmp": "-t ext4 -O mmp",
    "ext4-orphan_file": "-t ext4 -O orphan_file",
    "ext4-fast_commit": "-t ext4 -O fast_commit -J size=8",
    "ext4-no-journal": "-t ext4 -O ^has_journal",
    "ext4-lazy": "-t ext4 -E lazy_itable_init=1,lazy_journal_init=1",
}
"""Options of mke2fs by what is special of them."""

KERNEL_REFUSES = {"ext4-64k", "ext4-casefold", "ext4-quota"}
"""What a kernel takes only with pages of 64 KiB, with Unicode tables, with quotas built in."""


def fill(tree: Path, *, files: int = 300) -> Path:
    """Make a tree of files of many sizes, links of all kinds, folders in folders."""
    tree.mkdir()
    (tree / "empty").touch()
    (tree / "large").write_bytes(bytes(range(256)) * 3_000)
    with (tree / "sparse").open("wb") as file:
        file.seek(5 << 20)
        file.write(b"the end")
    os.link(tree / "large", tree / "large-again")
    (tree / "short-link").symlink_to("large")
    (tree / "long-link").symlink_to("x" * 200)
    os.mkfifo(tree / "pipe")
    (tree / "many").mkdir()
    for number in range(files):
        (tree / "many" / f"a-name-{number:05}-äöü").write_bytes(b"y" * (number % 40))
    for number in range(12):
        folder = tree / f"folder{number}" / "in" / "it"
        folder.mkdir(parents=True)
        (folder / "file").write_bytes(b"z" * number * 700)
    return tree


def make(tree: Path | None, image: Path, options: str, size: str = "32M") -> Path:
    """Make a volume, filled from a tree."""
    run("truncate", "-s", "160M" if "-C 65536" in options else size, image)
    filled: list[str | Path] = ["-d", tree] if tree else []
    run("mke2fs", "-q", "-F", *options.split(), *filled, image)
    return image


@contextmanager
def mounted(image: Path, *options: str) -> Iterator[Path]:
    """Mount an image by the kernel's driver for the time of a block."""
    place = image.with_suffix(".mount")
    place.mkdir(exist_ok=True)
    subprocess.run(
        ["mount", "-o", ",".join(("loop", *options)), image, place], check=True, capture_output=True
    )
    try:
        yield place
    finally:
        subprocess.run(["umount", place], check=True)


def snapshot(image: Path, copy: Path) -> Path:
    """Copy a volume that is mounted, as it stands on its drive after what was written is there."""
    subprocess.run(["sync", "-f", image.with_suffix(".mount")], check=True)
    shutil.copyfile(image, copy)
    return copy


def examined(image: Path) -> Examination:
    """Examine a whole image."""
    return examine_ext(file_window(image), lambda: None)


def faults(found: Examination) -> list[Fault]:
    """All faults that are kept, of both halves."""
    allocation = found.allocation.faults if found.allocation else ()
    return [*found.structure.faults, *allocation]


def serious(found: Examination) -> list[Fault]:
    """The faults above a waste of space."""
    return [fault for fault in faults(found) if fault.effect is not Effect.WASTED]


def checker(image: Path) -> tuple[int, str]:
    """What e2fsck says of an image, which it does not change: 0, or 4 where it would repair it."""
    done = subprocess.run(
        ["e2fsck", "-fn", image], capture_output=True, text=True, check=False, errors="replace"
    )
    return done.returncode, done.stdout + done.stderr
