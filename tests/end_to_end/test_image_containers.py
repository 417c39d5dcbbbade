"""Whole checks of drives in containers: as of raw images, and what the container itself adds."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from tests.end_to_end.checking import check
from tests.support.containers import CHUNK, e01, qemu
from tests.support.images import make_fat
from tests.support.read_image import flipped
from verify.capture.options import CaptureOptions
from verify.cli.demo_images import unpack

if TYPE_CHECKING:
    from pathlib import Path

FULL = CaptureOptions(depth="full", given_as="partition")
LETTER = b"Dear customer, your drive is ready.\n" * 4_000


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo's old drive and its sound clone, raw."""
    folder = tmp_path_factory.mktemp("raw")
    return {name: unpack(name, folder) for name in ("old", "sound")}


def told(source: Path, target: Path) -> list[tuple[str, str, str]]:
    """Return what a check finds: rule, level and sentence."""
    return [(item.rule, item.level, item.message) for item in check(source, target).findings]


@pytest.mark.tools("qemu-img")
def test_check_when_drives_are_in_containers_then_it_finds_what_it_finds_of_raw_images(
    drives: dict[str, Path], tmp_path: Path
) -> None:
    """A VHD that is rounded up, a VHDX, a stream, pieces: not a word more, not a word less."""
    raw = told(drives["old"], drives["sound"])
    for number, (form, options, ending) in enumerate(
        (("vpc", "", "vhd"), ("vhdx", "", "vhdx"), ("vmdk", "subformat=streamOptimized", "vmdk"))
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = folder / f"old.{ending}"
        extra = ("-o", options) if options else ()
        command = ("qemu-img", "convert", "-f", "raw", "-O", form, *extra, drives["old"], path)
        subprocess.run(command, check=True)
        assert told(path, drives["sound"]) == raw
        # NOTE: the same drive on both sides: a container is a good copy of its raw image.
        assert told(drives["old"], path) == []


def fat_volume(folder: Path) -> bytes:
    """Return a FAT volume with one letter on it."""
    return make_fat(folder / "fat.img", 8 << 20, {"LETTER.TXT": LETTER}).read_bytes()


@pytest.mark.tools("mkfs.vfat", "mcopy")
def test_check_when_a_chunk_of_a_file_is_damaged_then_the_file_is_unreadable_never_zeros(
    tmp_path: Path,
) -> None:
    """`drive-unreadable` names the file; on the side of the old drive and of the new one."""
    data = fat_volume(tmp_path)
    raw = tmp_path / "raw.img"
    raw.write_bytes(data)
    path = e01(tmp_path, data, packed=(False,))
    whole = path.read_bytes()
    inside = whole.index(LETTER[:64]) + CHUNK
    path.write_bytes(flipped(whole, inside))
    for sides in ((path, raw), (raw, path)):
        comparison = check(*sides, FULL)
        assert comparison.verdict in ("stop", "review")
        assert any(
            item.rule == "drive-unreadable" and item.path and "LETTER.TXT" in item.path
            for item in comparison.findings
        )
        assert not [item for item in comparison.findings if item.rule == "file-content"]


@pytest.mark.tools("mkfs.vfat", "mcopy")
def test_show_when_it_is_an_e01_then_kind_files_hash_and_what_was_verified_are_told(
    tmp_path: Path,
) -> None:
    """In the document and on the screen."""
    data = fat_volume(tmp_path)
    path = e01(tmp_path, data, segments=2)
    image = json.loads(run("show", "--json", str(path)))["drive"]["image"]
    assert (image["kind"], image["drive_bytes"]) == ("e01", len(data))
    assert [file["name"] for file in image["files"]] == ["drive.E01", "drive.E02"]
    assert image["hashes"][0]["algorithm"] == "md5"
    assert image["verified"]
    screen = run("show", str(path))
    assert "E01 image" in screen
    assert image["hashes"][0]["digest"] in screen


def run(*arguments: str) -> str:
    """Run the command and return what it prints."""
    command = [sys.executable, "-m", "verify", *arguments]
    done = subprocess.run(command, check=True, cwd=REPOSITORY, capture_output=True, text=True)
    return done.stdout


def test_check_when_a_container_is_refused_then_it_exits_4_with_one_sentence(
    tmp_path: Path,
) -> None:
    """No traceback, no manifest, no other exit."""
    path = tmp_path / "drive.vhdx"
    path.write_bytes(b"vhdxfile".ljust(4 << 20, b"\0"))
    command = [sys.executable, "-m", "verify", "check", str(path), str(path)]
    done = subprocess.run(command, check=False, cwd=REPOSITORY, capture_output=True, text=True)
    assert done.returncode == 4
    assert "is a VHDX that cannot be read: header 1 of 2 is damaged" in " ".join(
        done.stderr.split()
    )


@pytest.mark.tools("qemu-img")
def test_check_when_two_descriptors_name_one_extent_then_it_is_one_drive(tmp_path: Path) -> None:
    """Two small files, and one drive behind both."""
    path = qemu(tmp_path / "a.vmdk", bytes(2 << 20), "vmdk", "subformat=monolithicFlat")
    other = tmp_path / "b.vmdk"
    other.write_bytes(path.read_bytes())
    assert ("drive-same", "stop") in {(rule, level) for rule, level, _ in told(path, other)}


@pytest.mark.tools("strace", "mkfs.vfat", "mcopy", "qemu-img")
def test_show_when_every_call_is_recorded_then_an_image_is_opened_to_read_and_nothing_is_made(
    tmp_path: Path,
) -> None:
    """All processes, by strace: no lock file, no other flag than O_RDONLY in the image's folder."""
    data = fat_volume(tmp_path)
    images = tmp_path / "images"
    images.mkdir()
    paths = [e01(images, data, segments=2)]
    paths += [qemu(images / f"drive.{form}", data, form) for form in ("vhdx", "vmdk")]
    before = sorted(images.iterdir())
    for path in paths:
        record = tmp_path / "record"
        command = ["strace", "-f", "-o", str(record), "-e", "trace=open,openat,creat,unlink,rename"]
        command += [sys.executable, "-m", "verify", "show", str(path)]
        subprocess.run(command, check=True, cwd=REPOSITORY, capture_output=True)
        lines = [line for line in record.read_text().splitlines() if str(images) in line]
        opened = [line for line in lines if str(path) in line]
        assert opened
        assert all("O_RDONLY" in line for line in lines)
    assert sorted(images.iterdir()) == before
