"""Capturing images made by other tools: what is read, what is said of the rest, what it costs."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.support.images import MIB
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.capture.readers.isolate import Readers
from verify.errors import ImageRefused, SourceForeign, SourceVanished
from verify.manifest.draw import FILE_BLOCK_BYTES
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.manifest.header import Header

FILES = 400
ENVIRONMENT = Environment(clock=lambda: 1_700_000_000.0, host="bench", name_salt="5a" * 16)


def ext4_image(folder: Path, files: dict[str, bytes], size: int = 64 * MIB) -> Path:
    """Make a filesystem without a table, filled by mke2fs."""
    tree = folder / "tree"
    for name, data in files.items():
        path = tree / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    image = folder / "drive.img"
    with image.open("wb") as file:
        file.truncate(size)
    subprocess.run(["mke2fs", "-q", "-F", "-t", "ext4", "-d", tree, image], check=True)
    return image


@pytest.fixture(scope="module")
def contents() -> dict[str, bytes]:
    """Return the files of the drive: many small ones, one large one, two that start a machine."""
    files = {f"home/orla/{number:04}.txt": b"%d" % number * 50 for number in range(FILES)}
    files["home/orla/film.bin"] = b"".join(bytes([number]) * MIB for number in range(12))
    files["etc/fstab"] = b"UUID=0000-0000 / ext4 defaults 0 1\n"
    files["boot/grub/grub.cfg"] = b"set root=hd0,gpt1\n"
    return files


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory, contents: dict[str, bytes]) -> Path:
    """Make the drive once."""
    return ext4_image(tmp_path_factory.mktemp("drive"), contents)


def taken(drive: Path, output: Path, options: CaptureOptions) -> tuple[Header, dict[str, Entry]]:
    """Capture the drive; return its header and entries by path."""
    header = capture(str(drive), output, options, environment=ENVIRONMENT)
    return header, {entry.path: entry for entry in open_manifest(output).entries(0)}


pytestmark = pytest.mark.tools("mke2fs")


def test_full_when_captured_then_every_hash_is_that_of_the_file(
    drive: Path, contents: dict[str, bytes], tmp_path: Path
) -> None:
    """BLAKE3 of the bytes that mke2fs was given."""
    header, entries = taken(drive, tmp_path / "m", CaptureOptions(depth="full"))
    for name, data in contents.items():
        assert entries["/" + name].digest == blake3(data).hexdigest(), name
    found = header.partitions[0].contents
    assert found is not None
    assert found.files_hashed == len(contents)
    assert found.bytes_hashed == sum(map(len, contents.values()))
    listing = header.partitions[0].listing
    assert listing is not None
    assert (listing.files, listing.bytes) == (len(contents), found.bytes_hashed)


def test_layout_when_captured_then_only_what_starts_the_machine_is_hashed(
    drive: Path, tmp_path: Path
) -> None:
    """The boot set is read at every depth, and nothing else at depth `layout`."""
    _, entries = taken(drive, tmp_path / "m", CaptureOptions(depth="layout"))
    hashed = {path for path, entry in entries.items() if entry.digest or entry.blocks}
    assert hashed == {"/etc/fstab", "/boot/grub/grub.cfg"}
    assert all(entries[path].boot for path in hashed)


def test_sample_when_captured_apart_then_both_draw_the_same(
    drive: Path, contents: dict[str, bytes], tmp_path: Path
) -> None:
    """Another drive with one more file, another image, nothing shared but the seed."""
    options = CaptureOptions(sample_files=60, sample_blocks=5)
    other = ext4_image(tmp_path, {**contents, "home/orla/new.txt": b"new"})
    header, ours = taken(drive, tmp_path / "a", options)
    _, theirs = taken(other, tmp_path / "b", options)
    hashed = [
        {path for path, entry in side.items() if entry.digest and not entry.boot}
        for side in (ours, theirs)
    ]
    assert len(hashed[0]) == 60
    assert len(hashed[0] & hashed[1]) >= 59
    film = "/home/orla/film.bin"
    assert ours[film].blocks == theirs[film].blocks
    assert len(ours[film].blocks) == 5
    for index, digest in ours[film].blocks:
        mib = index * FILE_BLOCK_BYTES // MIB
        assert digest == blake3(bytes([mib]) * FILE_BLOCK_BYTES).hexdigest()
    found = header.partitions[0].contents
    assert found is not None
    assert (found.files_in_draw, found.files_drawn) == (FILES, 60)
    assert (found.blocks_in_draw, found.blocks_drawn) == (48, 5)
    assert found.block_bytes == FILE_BLOCK_BYTES
    assert found.always == 2


def test_sample_when_the_seed_is_another_then_others_are_drawn(drive: Path, tmp_path: Path) -> None:
    """The seed is in the manifest."""
    drawn = []
    for seed in ("one", "two"):
        options = CaptureOptions(sample_files=60, seed=seed)
        header, entries = taken(drive, tmp_path / seed, options)
        assert header.capture.seed == seed
        drawn.append({path for path, entry in entries.items() if entry.digest})
    assert drawn[0] != drawn[1]


def test_capture_when_repeated_then_the_manifest_is_the_same_byte_for_byte(
    drive: Path, tmp_path: Path
) -> None:
    """Clock and host are handed in; nothing else of the moment gets in."""
    for name in ("a", "b"):
        taken(drive, tmp_path / name, CaptureOptions())
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_capture_when_the_reader_dies_after_listing_then_names_stand_without_hashes(
    drive: Path, tmp_path: Path
) -> None:
    """The listing is kept, and why there are no hashes is reported."""
    program = (
        "import sys, runpy, verify.capture.volume_capture as f;"
        "f.FileReading._read = lambda *_: __import__('os')._exit(9);"
        "runpy.run_module('verify.capture.readers.worker', run_name='__main__')"
    )
    readers = Readers(command=(sys.executable, "-c", program))
    around = replace(ENVIRONMENT, readers=readers)
    header = capture(str(drive), tmp_path / "m", CaptureOptions(), environment=around)
    partition = header.partitions[0]
    assert partition.listing is not None
    assert partition.contents is None
    assert [item.what for item in partition.unread] == ["contents"]
    entries = list(open_manifest(tmp_path / "m").entries(0))
    assert len(entries) > FILES
    assert not any(entry.digest for entry in entries)


def test_capture_when_the_image_is_replaced_meanwhile_then_it_is_said_to_be_gone(
    drive: Path, tmp_path: Path
) -> None:
    """The reader holds what it opens against what the capture opened."""
    copy, other = tmp_path / "copy.img", tmp_path / "other.img"
    copy.write_bytes(drive.read_bytes())
    other.write_bytes(drive.read_bytes())
    program = (
        f"import os; os.replace({str(other)!r}, {str(copy)!r});"
        "import runpy; runpy.run_module('verify.capture.readers.worker', run_name='__main__')"
    )
    around = Environment(readers=Readers(command=(sys.executable, "-c", program)))
    with pytest.raises(SourceVanished, match="another drive"):
        capture(str(copy), tmp_path / "m", CaptureOptions(), environment=around)
    assert not (tmp_path / "m").exists()


@pytest.mark.parametrize(
    ("head", "words"),
    [
        (b"Dear customer,\nyour drive is ready.\n" * 40, "text"),
        ("Größe: 5 GB\n".encode() * 60, "text"),
        (b"\x1f\x8b\x08\x00" + bytes(2_000), "a gzip file"),
        (b"QFI\xfb" + bytes(2_000), "a QCOW image"),
        (b"PK\x03\x04" + bytes(2_000), "a zip file"),
        (b"\x01\x02\x03" * 301, "whole number of sectors"),
    ],
)
def test_capture_when_the_file_is_no_drive_then_it_says_what_it_is(
    head: bytes, words: str, tmp_path: Path
) -> None:
    """Nobody gets a verdict about a text file."""
    path = tmp_path / "file"
    path.write_bytes(head)
    with pytest.raises((SourceForeign, ImageRefused), match=words):
        capture(str(path), tmp_path / "m", CaptureOptions())
    assert sorted(item.name for item in tmp_path.iterdir()) == ["file"]


def test_capture_when_the_drive_is_blank_then_it_is_a_drive_with_nothing_on_it(
    tmp_path: Path,
) -> None:
    """A wiped drive is one; its partition 0 is unknown and was read as blocks."""
    path = tmp_path / "blank.img"
    path.write_bytes(bytes(3 * MIB))
    header = capture(str(path), tmp_path / "m", CaptureOptions(depth="full"))
    assert header.table.scheme == "none"
    assert header.partitions[0].filesystem.kind == "unknown"
    blocks = list(open_manifest(tmp_path / "m").blocks(0))
    assert [block.digest for block in blocks] == [blake3(bytes(MIB)).hexdigest()] * 3


def test_capture_when_there_are_50000_files_then_it_holds_less_than_150_megabytes(
    tmp_path: Path,
) -> None:
    """Measured by the kernel, of the capture and of its readers, each on its own."""
    files = {f"{number // 250:03}/{number:05}": b"x" * (number % 700) for number in range(50_000)}
    image = ext4_image(tmp_path, files, 1024 * MIB)
    program = (
        "import resource, sys; from pathlib import Path;"
        "from verify.capture.drive_capture import capture;"
        "from verify.capture.options import CaptureOptions;"
        "header = capture(sys.argv[1], Path(sys.argv[2]), CaptureOptions(depth='full'));"
        "assert header.partitions[0].listing.files == 50000;"
        "status = Path('/proc/self/status').read_text();"
        "print(status.split('VmHWM:')[1].split()[0]);"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    result = subprocess.run(
        [sys.executable, "-c", program, image, tmp_path / "m"],
        check=True,
        capture_output=True,
        text=True,
        env=environment,
    )
    kibibytes = [int(word) for word in result.stdout.split()]
    assert all(10_000 < size < 150_000 for size in kibibytes), kibibytes
