"""Examinations of exFAT volumes that are good, however they were made and used: nothing is found.

Makers: mkfs.exfat of exfatprogs 1.2.0, filled by exfat-fuse 1.3.0. Oracle of their being good:
fsck.exfat -n.
"""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.bench.damage_exfat import mounted
from tests.filesystem.examined import examined
from tests.filesystem.made import make

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.tools("mkfs.exfat", "fsck.exfat", "mount.exfat-fuse"), pytest.mark.root]

VARIANTS = {
    "as it comes": ("64M",),
    "sector-sized clusters": ("8M", "-c", "512"),
    "clusters of 128 KiB": ("300M", "-c", "128K"),
    "boundaries of 64 KiB": ("8M", "-c", "4K", "-b", "64K"),
    "boundaries of 16 MiB": ("64M", "-c", "4K", "-b", "16M"),
    "bitmap packed": ("16M", "-c", "1K", "-b", "64K", "--pack-bitmap"),
    "a label": ("16M", "-c", "4K", "-L", "Käuferdaten"),
}


@pytest.mark.parametrize("name", VARIANTS)
def test_examine_when_a_volume_is_good_then_nothing_is_found(tmp_path: Path, name: str) -> None:
    """Nothing at all, not even a note, fresh and in use."""
    size, *options = VARIANTS[name]
    image = make(tmp_path, size, "mkfs.exfat", *options)
    assert found(image) == []
    with mounted(image, tmp_path / "mount") as mount:
        use(mount)
    with mounted(image, tmp_path / "mount") as mount:
        use_again(mount)
    fsck = subprocess.run(["fsck.exfat", "-n", image], capture_output=True, check=False, text=True)
    assert fsck.returncode == 0, fsck.stdout
    assert found(image) == []


def use(mount: Path) -> None:
    """Make folders that grow over several clusters, long names, files in one piece."""
    for folder in ("many", "many/ein Ördner", "gone", "empty folder"):
        (mount / folder).mkdir()
    for number in range(150):
        (mount / "many" / f"a file with a long name, number {number:03}.text").write_bytes(
            b"w" * (number * 60)
        )
    for name in ("n" * 255, "多言語の名前 Ω 😀.txt", "ALLE GROSS.TXT", "ÀÉÎÕÜ ß straße"):
        (mount / name).write_bytes(name.encode() * 20)
        (mount / "gone" / name).write_bytes(b"gone")
    (mount / "nothing").write_bytes(b"")


def use_again(mount: Path) -> None:
    """Delete and rename, grow and cut files, write two files by turns."""
    for number in range(0, 150, 3):
        (mount / "many" / f"a file with a long name, number {number:03}.text").unlink()
    for path in (mount / "gone").iterdir():
        path.unlink()
    (mount / "gone").rmdir()
    old = mount / "many" / "a file with a long name, number 100.text"
    old.rename(mount / "many" / "ein Ördner" / ("r" * 200))
    with (mount / "one").open("wb") as one, (mount / "two").open("wb") as two:
        for _ in range(20):
            for file in (one, two):
                file.write(b"f" * 4_096)
                file.flush()
    with (mount / "one").open("r+b") as one:
        one.truncate(10_000)
    with (mount / "two").open("r+b") as two:
        two.truncate(250_000)


def found(image: Path) -> list[str]:
    """Say all that is found or left out."""
    both = examined(image)
    halves = [both.structure, both.allocation]
    assert all(half is not None and half.compared for half in halves)
    return [str(item) for half in halves if half for item in (*half.faults, *half.left_out)]
