"""Fits against other programs: partitioning tools take the layouts, resizers agree on the least."""

from __future__ import annotations

import lzma
import re
import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from tests.fit.fits import fit_of, five_partitions, old_500
from tests.rules.cases import MIB, drive
from tests.rules.cases import partition as made
from tests.support.images import make_ext4, make_ntfs, run
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.fit.least import least_of

if TYPE_CHECKING:
    from pathlib import Path

    from verify.fit.fit_document import FitDocument
    from verify.manifest.header import Header

PER_MIB = 2048


def partition_with_sfdisk(fit: FitDocument, label: str, image: Path) -> str:
    """Make an image of the target's size with the fit's layout; return what sfdisk verifies."""
    with image.open("wb") as file:
        file.truncate(fit.target.size_bytes)
    lines = [f"label: {label}"]
    for row in fit.partitions:
        kind = ", type=f" if "extended" in row.what.lower() or row.number == 2 else ""
        at = f"{row.number}: start={row.start_lba}, size={row.sectors}"
        lines.append(at + (kind if label == "dos" else ""))
    done = subprocess.run(
        ["sfdisk", "--quiet", str(image)],
        input="\n".join(lines) + "\n",
        text=True,
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    verified = subprocess.run(
        ["sfdisk", "--verify", str(image)], text=True, capture_output=True, check=True
    )
    return verified.stdout + verified.stderr


@pytest.mark.tools("sfdisk", "sgdisk")
@pytest.mark.parametrize("size", ["240 GB", "256 GB", "480 GB", "500 GB", "512 GB", "1 TB"])
def test_gpt_layout_when_given_to_partitioning_tools_then_they_take_it(
    size: str, tmp_path: Path
) -> None:
    """Sfdisk and sgdisk make it, find no fault, no overlap and nothing off the grid."""
    fit = fit_of(old_500(), size, tmp_path)
    assert fit.fits
    image = tmp_path / "new.img"
    verified = partition_with_sfdisk(fit, "gpt", image)
    assert "No errors detected" in verified
    told = run("sgdisk", "--verify", image)
    assert "No problems found" in told
    assert "aligned" not in told
    for row in fit.partitions:
        assert run("sgdisk", "--info", str(row.number), image).count(f"{row.sectors} sectors") == 1


@pytest.mark.tools("sfdisk")
@pytest.mark.parametrize("size", ["800 MiB", "1000 MiB", "2 GB"])
def test_mbr_layout_when_given_to_a_partitioning_tool_then_it_takes_it(
    size: str, tmp_path: Path
) -> None:
    """Primary, extended and logical partitions are made as told, each with its record."""
    header = drive(
        [
            made(1, 1, 300, active=True, type="07", guid=None, of={"used_bytes": 50 * MIB}),
            made(2, 301, 602, "extended", type="0F", guid=None, container=True),
            made(5, 302, 200, type="07", guid=None, of={"used_bytes": 20 * MIB}),
            made(6, 503, 400, type="07", guid=None, of={"used_bytes": 90 * MIB}),
        ],
        table={"scheme": "mbr"},
    )
    fit = fit_of(header, size, tmp_path)
    assert fit.fits
    image = tmp_path / "new.img"
    verified = partition_with_sfdisk(fit, "dos", image)
    assert "does not start on physical sector boundary" not in verified
    dumped = run("sfdisk", "--dump", image)
    for row in fit.partitions:
        assert re.search(rf"start= *{row.start_lba}, size= *{row.sectors},", dumped), dumped


def read(image: Path, folder: Path) -> Header:
    """Return the header of an image's manifest."""
    return capture(str(image), folder / "m.manifest", CaptureOptions(depth="layout"))


def ntfsresize_least(volume: Path) -> int:
    """Return the bytes that `ntfsresize --info` would shrink a volume to."""
    told = run("ntfsresize", "--info", "--force", "--no-progress-bar", volume)
    match = re.search(r"You might resize at (\d+) bytes", told)
    assert match, told
    return int(match[1])


@pytest.mark.tools("ntfsresize", "mkntfs", "ntfscp")
@pytest.mark.parametrize("content_mib", [0, 1, 60])
def test_least_ntfs_when_asked_of_ntfsresize_then_it_lies_its_margin_above(
    content_mib: int, tmp_path: Path
) -> None:
    """ntfsresize(8): used space and 20 to 200 MB; its own figure is the used space alone."""
    noise = bytes(range(1, 251)) * 4200
    files = {f"{number}.bin": noise[:MIB] for number in range(content_mib)}
    volume = make_ntfs(tmp_path / "n.img", 256 * MIB, files)
    header = read(volume, tmp_path)
    least = least_of(header, header.partitions[0], 0)
    assert least is not None
    assert least.bytes is not None
    other = ntfsresize_least(volume)
    assert abs(least.used - other) <= 2 * 4096
    assert 20_000_000 - 8192 <= least.bytes - other <= 200_000_000


@pytest.mark.tools("ntfsresize")
def test_least_ntfs_when_the_volume_is_foreign_then_ntfsresize_agrees(tmp_path: Path) -> None:
    """A volume that nobody here made: the same margin above the same figure."""
    packed = REPOSITORY / "fixtures" / "foreign" / "ntfs-testfs1.img.xz"
    volume = tmp_path / "n.img"
    with lzma.open(packed) as source, volume.open("wb") as file:
        shutil.copyfileobj(source, file)
    header = read(volume, tmp_path)
    least = least_of(header, header.partitions[0], 0)
    assert least is not None
    assert least.bytes is not None
    assert abs(least.used - ntfsresize_least(volume)) <= 2 * 4096
    assert least.bytes - least.used == 20_000_000


@pytest.mark.tools("mkfs.ext4", "resize2fs")
@pytest.mark.parametrize(
    ("size_mib", "block_bytes", "content_mib"), [(200, 1024, 1), (200, 1024, 30), (1024, 4096, 60)]
)
def test_least_ext_when_asked_of_resize2fs_then_it_can_be_shrunk_to_it(
    size_mib: int, block_bytes: int, content_mib: int, tmp_path: Path
) -> None:
    """`resize2fs -P` names no more than the least size told here, and resizes to it."""
    files = {f"{number}.bin": bytes([number + 1]) * MIB for number in range(content_mib)}
    volume = make_ext4(tmp_path / "e.img", size_mib * MIB, files, block_bytes=block_bytes)
    header = read(volume, tmp_path)
    least = least_of(header, header.partitions[0], 0)
    assert least is not None
    assert least.bytes is not None
    told = run("resize2fs", "-P", volume)
    match = re.search(r"(\d+)\s*$", told.strip())
    assert match
    assert int(match[1]) * block_bytes <= least.bytes < size_mib * MIB
    run("e2fsck", "-f", "-y", volume)
    run("resize2fs", volume, f"{-(-least.bytes // 1024)}K")


@pytest.mark.tools("ntfsresize", "mkntfs", "ntfscp")
def test_fit_when_it_fits_then_ntfsresize_shrinks_to_what_it_gives(tmp_path: Path) -> None:
    """A trial run of the resizer takes the size that the fit gives the volume."""
    volume = make_ntfs(tmp_path / "n.img", 256 * MIB, {"a.bin": bytes(range(256)) * 80_000})
    header = read(volume, tmp_path)
    fit = fit_of(header, "60 MiB", tmp_path)
    assert fit.fits
    size = fit.partitions[0].sectors * 512
    assert size == 60 * MIB
    run("ntfsresize", "--no-action", "--force", "--size", size, volume)


def test_five_partitions_when_listed_then_they_are_what_the_worked_example_has() -> None:
    """The drive of these tests: starts and ends of the old drive, by hand."""
    held = {item.number: (item.start_lba, item.end_lba - 1) for item in five_partitions()}
    assert held == {
        1: (2_048, 534_527),
        2: (534_528, 567_295),
        3: (567_296, 971_319_295),
        4: (971_319_296, 973_367_295),
        5: (973_367_296, 976_439_295),
    }
