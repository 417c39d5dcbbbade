"""What an image is goes by its content; what is not read is refused by name."""

from __future__ import annotations

import bz2
import gzip
import lzma
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from tests.support.containers import MIB, content, e01, qemu
from tests.support.read_image import read_whole
from verify.errors import ImageRefused, SourceForeign
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

DATA = content(2 * MIB)


@pytest.mark.tools("qemu-img")
@pytest.mark.parametrize("form", ["vpc", "vhdx", "vmdk"])
@pytest.mark.parametrize("ending", ["img", "E01", "001", "vhd", "vhdx", "vmdk", "bin"])
def test_container_when_its_name_lies_then_it_is_read_by_its_content(
    form: str, ending: str, tmp_path: Path
) -> None:
    """Any name, one answer."""
    options = "force_size=on" if form == "vpc" else ""
    made = qemu(tmp_path / "made", DATA, form, options)
    assert read_whole(made.rename(tmp_path / f"drive.{ending}")) == DATA


def test_e01_when_it_is_called_a_raw_image_then_it_is_read_as_an_e01(tmp_path: Path) -> None:
    """One segment needs no name to be found by."""
    assert read_whole(e01(tmp_path, DATA).rename(tmp_path / "drive.dd")) == DATA


@pytest.mark.parametrize("ending", ["vhd", "VHDX", "vmdk", "E01", "vdi", "qcow2"])
def test_raw_image_when_it_has_a_containers_name_then_it_is_refused(
    ending: str, tmp_path: Path
) -> None:
    """Its header or footer may be what was lost."""
    path = tmp_path / f"drive.{ending}"
    path.write_bytes(DATA)
    with pytest.raises(ImageRefused, match="damaged, cut short or renamed") as caught:
        open_drive(path)
    assert ".img" in caught.value.hint()


@pytest.mark.tools("qemu-img")
@pytest.mark.parametrize(
    ("form", "options", "words"),
    [
        ("qcow2", "", "is a QCOW image"),
        ("qcow2", "compat=0.10", "is a QCOW image"),
        ("qcow", "", "is a QCOW image"),
        ("vdi", "", "is a VDI"),
        ("parallels", "", "is a Parallels image"),
    ],
)
def test_container_when_its_kind_is_not_read_then_it_is_refused_by_name(
    form: str, options: str, words: str, tmp_path: Path
) -> None:
    """Named, with what to do."""
    path = qemu(tmp_path / "drive.img", DATA, form, options)
    with pytest.raises(ImageRefused, match=words) as caught:
        open_drive(path)
    assert "raw image" in caught.value.hint()


@pytest.mark.parametrize(
    ("pack", "command"),
    [
        (gzip.compress, "gzip -dk drive.img"),
        (lzma.compress, "xz -dk drive.img"),
        (bz2.compress, "bzip2 -dk drive.img"),
        (lambda data: b"\x28\xb5\x2f\xfd" + data, "zstd -dk drive.img"),
        (lambda data: b"PK\x03\x04" + data, "unzip drive.img"),
        (lambda data: b"7z\xbc\xaf\x27\x1c" + data, "7z x drive.img"),
    ],
)
def test_image_when_it_is_compressed_then_the_command_that_unpacks_it_is_told(
    pack: object, command: str, tmp_path: Path
) -> None:
    """By content, whatever it is called."""
    path = tmp_path / "drive.img"
    path.write_bytes(pack(DATA))  # type: ignore[operator]
    with pytest.raises(ImageRefused) as caught:
        open_drive(path)
    assert command in caught.value.hint()


def test_file_when_it_is_empty_then_it_is_refused_whatever_it_is_called(tmp_path: Path) -> None:
    """Of any name."""
    for name in ("drive.img", "drive.E01", "drive.001", "drive.vhdx"):
        (tmp_path / name).touch()
        with pytest.raises(SourceForeign, match="empty"):
            open_drive(tmp_path / name)


def test_container_when_it_was_cut_into_pieces_then_they_are_to_be_joined(tmp_path: Path) -> None:
    """Pieces of raw images alone are read as they are."""
    whole = e01(tmp_path, DATA).read_bytes()
    for number, at in enumerate(range(0, len(whole), 4096), 1):
        (tmp_path / f"drive.{number:03}").write_bytes(whole[at : at + 4096])
    with pytest.raises(ImageRefused, match="in pieces"):
        open_drive(tmp_path / "drive.001")


def test_drive_when_it_is_no_container_then_no_reader_of_containers_is_loaded() -> None:
    """They load numpy, which takes longer than all else that opening a drive needs."""
    program = "import sys, verify.source.drive; print('numpy' in sys.modules)"
    ran = subprocess.run(
        [sys.executable, "-c", program], cwd=REPOSITORY, capture_output=True, text=True, check=True
    )
    assert ran.stdout == "False\n"
