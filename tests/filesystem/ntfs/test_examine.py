"""NTFS examined: good volumes of every maker without a fault, and each kind of damage told.

Good volumes are made by mkntfs, ntfs-3g and ntfsresize, and by Windows (the foreign images). What
a damage does to a driver is asked of ntfs-3g where the system has it: does it mount a copy, and
does the copy read as the whole volume does.
"""

from __future__ import annotations

import os
import subprocess
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from tests.corpus.test_foreign_images import images, names, unpacked
from tests.filesystem.ntfs.volume_bytes import VolumeBytes, fill, made, mounted
from tests.support.drives import memory_window
from verify.filesystem.examine import examine
from verify.source.drive import open_drive
from verify.source.window import Window

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.examination import Examination, Fault

TRUE_FAULTS = {"ms-ntfs3": {("record 28", "$FILE_NAME")}}
"""Faults that a foreign image really has: record 28 says that it is /test/1.txt, which pytsk3 lists
and no folder names; ntfsls and libfsntfs list two files."""


def examined(image: bytes | bytearray) -> Examination:
    """Examine a volume in memory."""
    found = examine(memory_window(bytes(image)), "ntfs", lambda: None)
    assert found is not None
    return found


def faults_of(examination: Examination) -> list[Fault]:
    """Return all faults of both halves."""
    assert examination.allocation is not None
    return [*examination.structure.faults, *examination.allocation.faults]


def hold_good(examination: Examination, least: int = 60) -> None:
    """Hold that nothing was found, and that something was compared."""
    assert faults_of(examination) == []
    assert examination.structure.compared >= least
    assert examination.allocation is not None
    assert examination.allocation.compared > 0
    assert not examination.structure.left_out + examination.allocation.left_out


@pytest.mark.parametrize(
    "options",
    [
        *(("-c", str(size)) for size in (512, 1024, 2048, 4096, 16384, 65536, 131072, 1 << 20)),
        *(("-s", str(size)) for size in (256, 1024, 2048, 4096)),
        ("-s", "256", "-c", "4096"),
    ],
    ids=" ".join,
)
@pytest.mark.root
@pytest.mark.tools("mkntfs", "ntfs-3g", "umount")
def test_volume_when_mkntfs_and_ntfs3g_wrote_it_then_it_has_no_fault(
    options: tuple[str, ...], tmp_path: Path
) -> None:
    """Sizes of clusters and sectors, fresh and filled; 4,096-byte sectors have such records."""
    large = int(options[-1]) > 1 << 16
    image = made(tmp_path / "volume.img", 256 if large else 32, *options)
    hold_good(examined(image.read_bytes()))
    mounted(image, fill)
    hold_good(examined(image.read_bytes()), 200)


@pytest.mark.root
@pytest.mark.tools("mkntfs", "ntfs-3g", "umount", "ntfsresize")
def test_volume_when_it_was_resized_then_it_has_no_fault(tmp_path: Path) -> None:
    """Shrunk with clusters moved, then grown, then used again."""
    image = made(tmp_path / "volume.img", 64)
    mounted(image, fill)
    for size in ("24M", "56M"):
        command = ["ntfsresize", "-ff", "-s", size, image]
        subprocess.run(command, check=True, capture_output=True, input=b"y\n")
        hold_good(examined(image.read_bytes()), 1_000)
    mounted(image, lambda mount: os.truncate(mount / "one", 99_999), "recover")
    hold_good(examined(image.read_bytes()), 1_000)


@pytest.mark.root
@pytest.mark.tools("mkntfs", "ntfs-3g", "umount")
def test_volume_when_its_file_table_is_in_hundreds_of_pieces_then_it_has_no_fault(
    tmp_path: Path,
) -> None:
    """The MFT has an attribute list of its own then, and its records extend each other."""

    def scatter(mount: Path) -> None:
        for number in range(2_500):
            (mount / f"{number}").write_bytes(b"x" * 2_000)
        with suppress(OSError), (mount / "rest").open("wb") as file:
            while True:
                file.write(bytes(1 << 16))
        for number in range(0, 2_500, 2):
            (mount / f"{number}").unlink()
        (mount / "empty").mkdir()
        with suppress(OSError):
            for number in range(4_000):
                (mount / "empty" / f"{number}").touch()

    image = made(tmp_path / "volume.img", 16, "-c", "512")
    mounted(image, scatter)
    volume = VolumeBytes(bytearray(image.read_bytes()))
    assert volume.attribute(volume.number(48, "Q") * 512, 0x20), "no attribute list"
    hold_good(examined(volume.data), 2_000)


@pytest.mark.root
@pytest.mark.tools("mkntfs", "ntfs-3g", "umount")
def test_volume_when_copied_while_mounted_then_it_has_no_fault_after_a_sync(tmp_path: Path) -> None:
    """ntfs-3g writes its records through: a copy taken in use holds together."""
    image, copies = made(tmp_path / "volume.img", 48), []

    def use(mount: Path) -> None:
        fill(mount)
        subprocess.run(["sync"], check=True)
        copies.append(image.read_bytes())

    mounted(image, use)
    faults = [fault for fault in faults_of(examined(copies[0])) if fault.effect != "wasted"]
    assert faults == []


def whole_ones() -> list[str]:
    """Return the foreign images that hold a whole NTFS volume, and not pieces of one."""
    return [
        name
        for name in names(kind="ntfs")
        if any(item.get("free_bytes") for item in images()[name]["filesystems"])
    ]


@pytest.mark.parametrize("name", whole_ones())
def test_volume_when_it_is_foreign_then_it_has_no_fault_but_its_own(
    name: str, tmp_path: Path
) -> None:
    """Volumes that Windows wrote, and three by other programs."""
    row = images()[name]
    start = 0
    for item in (row.get("partition_table") or {}).get("partitions", ()):
        start = item["start_lba"] * 512  # the last one, which holds NTFS in all of them
    with open_drive(unpacked(row, tmp_path)) as drive:
        window = Window(drive, start, drive.size_bytes - start, 512)
        found = examine(window, "ntfs", lambda: None)
    assert found is not None
    faults = {(fault.place, fault.field) for fault in faults_of(found)}
    assert faults == TRUE_FAULTS.get(name, set())
    assert found.structure.compared >= 60
