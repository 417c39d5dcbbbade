"""Examinations of FAT volumes that are good, however they were made and used: nothing is found.

Makers: mkfs.fat of dosfstools 4.2 with each option that changes what lies on the volume, filled by
mtools. Oracle of their being good: fsck.fat -n.
"""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.filesystem.examined import examined
from tests.filesystem.made import make

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.tools("mkfs.fat", "fsck.fat", "mcopy", "mmd", "mdel", "mdeltree", "mren")

VARIANTS = {
    "floppy": ("1440K", "-F12"),
    "small clusters": ("1M", "-F12", "-s1", "-r", "112"),
    "one FAT": ("4M", "-F12", "-f1"),
    "large clusters": ("600M", "-F16", "-s64"),
    "unaligned": ("48M", "-F32", "-a", "-s1"),
    "reserved sectors": ("48M", "-F32", "-R", "64", "-s1"),
    "one FAT of 32 bits": ("48M", "-F32", "-f1", "-s1"),
    "another copy of the boot sector": ("48M", "-F32", "-b", "9", "-s1"),
    "a label": ("48M", "-F32", "-n", "KUNDENDATEN", "-s1"),
    "removable": ("48M", "-F16", "-M", "0xF0"),
    "hidden sectors": ("260M", "-F32", "-h", "2048", "-n", "SYSTEM"),
    "sectors of 4096": ("300M", "-F32", "-S", "4096", "-s1"),
    "FAT16 in sectors of 4096": ("64M", "-F16", "-S", "4096", "-s1"),
    "many root entries": ("20M", "-F16", "-r", "4096"),
    "no multiple of a track": ("50001K", "-F16"),
}


def mtools(*command: str | Path) -> None:
    """Run one of mtools, which else wants sizes to fit tracks."""
    subprocess.run(
        [*command[:1], "-i", *command[1:]],
        check=True,
        capture_output=True,
        env={**os.environ, "MTOOLS_SKIP_CHECK": "1", "LC_ALL": "C.UTF-8"},
        stdin=subprocess.DEVNULL,
    )


def use(image: Path, folder: Path) -> None:
    """Fill a volume as people do: folders grown, names long and deleted, files in pieces."""
    folder.mkdir()
    names = ["EMPTY.TXT", "ReadMe.first", "n" * 250 + ".text", "Ünïcödé 多 Ω.txt", "A B.C.D"]
    names += [f"a file with a long name, number {number:03}.text" for number in range(70)]
    for number, name in enumerate(names):
        (folder / name).write_bytes(b"w" * (number * 100))
    paths = [folder / name for name in names]
    mtools("mmd", image, "::/EFI", "::/EFI/BOOT", "::/many", "::/many/ein Ordner", "::/gone")
    mtools("mcopy", image, *paths, "::/many/")
    mtools("mcopy", image, *paths[:3], "::/")
    mtools("mcopy", image, *paths[:9], "::/gone/")
    mtools("mcopy", image, paths[20], "::/EFI/BOOT/BOOTX64.EFI")
    mtools("mdel", image, *(f"::/many/{name}" for name in names[::3]))
    mtools("mdeltree", image, "::/gone")
    (folder / "pieces").write_bytes(b"p" * 300_000)
    mtools("mcopy", image, folder / "pieces", "::/many/ein Ordner/")
    mtools("mren", image, f"::/many/{names[10]}", "::/many/renamed to a long name.text")
    mtools("mcopy", image, *paths[6:40:2], "::/many/ein Ordner/")


@pytest.mark.parametrize("name", VARIANTS)
def test_examine_when_a_volume_is_good_then_nothing_is_found(tmp_path: Path, name: str) -> None:
    """Nothing at all, not even a note, fresh and in use."""
    size, *options = VARIANTS[name]
    image = make(tmp_path, size, "mkfs.fat", *options)
    sector = 4096 if "-S" in options else 512
    assert found(image, sector) == []
    use(image, tmp_path / "files")
    fsck = subprocess.run(["fsck.fat", "-n", image], capture_output=True, check=False, text=True)
    assert fsck.returncode == 0, fsck.stdout
    assert found(image, sector) == []


def found(image: Path, sector: int) -> list[str]:
    """Say all that is found or left out."""
    both = examined(image, sector)
    halves = [both.structure, both.allocation]
    assert all(half is not None and half.compared for half in halves)
    return [str(item) for half in halves if half for item in (*half.faults, *half.left_out)]
