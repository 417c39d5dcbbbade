"""Drives that fail, through the kernel: what has no hash, whose sectors, how often asked."""

from __future__ import annotations

import errno
import io
from typing import TYPE_CHECKING, Any

import pytest
from blake3 import blake3

from tests.support.failing import Fault, failing_drive, reads_of
from tests.support.images import MIB, make_ext4, make_fat, make_ntfs
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions, Environment
from verify.capture.readers.messages import Reporter
from verify.capture.readers.task import Answer, Task
from verify.capture.volume_capture import FileReading
from verify.errors import ReaderError
from verify.filesystem.ntfs.listing import NtfsListing
from verify.manifest.file import open_manifest
from verify.manifest.row import decode_entry, parse_line
from verify.manifest.segment import SEGMENT_START
from verify.source.drive import open_drive
from verify.source.window import Window

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.entry import Entry
    from verify.manifest.header import Header

pytestmark = [
    pytest.mark.root,
    pytest.mark.tools("mkfs.ext4", "mkntfs", "ntfscp", "mkfs.vfat", "mcopy", "umount"),
]

SECTOR = 512
FILES = {f"photo{number}.jpg": bytes([65 + number]) * 60_000 for number in range(8)}
"""Each full of one letter, so that its place in an image is found by looking for it."""

LETTER_AT = {name: data[:1] * 4096 for name, data in FILES.items()}
ENVIRONMENT = Environment(clock=lambda: 1_700_000_000.0, host="bench", name_salt="5a" * 16)
MAKERS = {"ntfs": make_ntfs, "ext4": make_ext4, "fat16": make_fat}


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Make one volume of each kind, once."""
    folder = tmp_path_factory.mktemp("volumes")
    return {
        kind: make(folder / f"{kind}.img", 24 * MIB, FILES)  # type: ignore[operator]
        for kind, make in MAKERS.items()
    }


def place_of(image: Path, name: str) -> int:
    """Return a byte in the middle of a file's data, by looking through the image."""
    data = image.read_bytes()
    first = data.index(LETTER_AT[name])
    return first + 20 * SECTOR


def taken(drive: Path, folder: Path, **options: object) -> tuple[Header, dict[str, Entry]]:
    """Capture a drive; return its header and entries by path."""
    output = folder / "m"
    chosen = CaptureOptions(**{"depth": "full", **options})  # type: ignore[arg-type]
    header = capture(str(drive), output, chosen, environment=ENVIRONMENT)
    return header, {entry.path: entry for entry in open_manifest(output).entries(0)}


@pytest.mark.parametrize("kind", sorted(MAKERS))
def test_capture_when_a_sector_of_a_file_fails_then_that_file_alone_has_no_hash(
    kind: str, images: dict[str, Path], tmp_path: Path
) -> None:
    """The one sector, its file by name, and the right BLAKE3 of every other file."""
    at = place_of(images[kind], "photo3.jpg")
    with failing_drive(images[kind], tmp_path, [Fault(at, at + 1)]) as drive:
        header, entries = taken(drive, tmp_path)
    assert entries["/photo3.jpg"].digest is None
    assert "cannot be read" in str(entries["/photo3.jpg"].unhashed)
    for name, data in FILES.items():
        if name != "photo3.jpg":
            assert entries[f"/{name}"].digest == blake3(data).hexdigest(), name
    assert [(r.start_lba, r.sectors) for r in header.capture.unreadable] == [(at // SECTOR, 1)]
    assert [(o.what, o.name, o.start_lba, o.sectors) for o in header.capture.owners] == [
        ("file", "/photo3.jpg", at // SECTOR, 1)
    ]
    contents = header.partitions[0].contents
    assert contents is not None
    assert contents.files_unreadable == 1


def test_capture_when_a_sector_fails_once_then_the_file_has_its_hash(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """The second read gives it back: nothing is unreadable."""
    at = place_of(images["ntfs"], "photo3.jpg")
    with failing_drive(images["ntfs"], tmp_path, [Fault(at, at + 1, "once")]) as drive:
        header, entries = taken(drive, tmp_path)
    assert entries["/photo3.jpg"].digest == blake3(FILES["photo3.jpg"]).hexdigest()
    assert header.capture.unreadable == ()


@pytest.mark.parametrize("retries", [0, 2])
def test_capture_when_a_sector_always_fails_then_it_is_asked_no_oftener_than_said(
    retries: int, images: dict[str, Path], tmp_path: Path
) -> None:
    """One large read, then the sector by itself, once and `retries` times; never again after."""
    at = place_of(images["ntfs"], "photo3.jpg")
    fault = Fault(at, at + 1)
    before = images["ntfs"].with_suffix(".reads")
    before.unlink(missing_ok=True)
    with failing_drive(images["ntfs"], tmp_path, [fault]) as drive:
        taken(drive, tmp_path, retries=retries)
    assert reads_of(images["ntfs"], fault) == 1 + 1 + retries


def test_capture_when_a_drive_is_slow_then_all_is_read(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """Slow is not broken."""
    at = place_of(images["ntfs"], "photo3.jpg")
    slow = Fault(at, at + 1, "slow", seconds=0.5)
    with failing_drive(images["ntfs"], tmp_path, [slow]) as drive:
        header, entries = taken(drive, tmp_path)
    assert entries["/photo3.jpg"].digest == blake3(FILES["photo3.jpg"]).hexdigest()
    assert header.capture.unreadable == ()


def test_capture_when_a_record_of_the_mft_fails_then_the_structure_is_named(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """By where the file's name stands in UTF-16 in its record; the others keep their hashes."""
    data = images["ntfs"].read_bytes()
    wanted = "photo5.jpg".encode("utf-16-le")
    places = [at for at in range(0, len(data), 1024) if data[at : at + 4] == b"FILE"]
    (record,) = [at for at in places if wanted in data[at : at + 1024]]
    with failing_drive(images["ntfs"], tmp_path, [Fault(record, record + 1)]) as drive:
        header, entries = taken(drive, tmp_path)
    assert {owner.name for owner in header.capture.owners} == {"$MFT"}
    assert entries["/photo2.jpg"].digest == blake3(FILES["photo2.jpg"]).hexdigest()
    assert entries["/photo5.jpg"].digest is None
    assert entries["/photo5.jpg"].unhashed == "its record is unreadable"


def test_capture_when_an_inode_table_fails_then_the_structure_is_named(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """Its place by the group's descriptor (bg_inode_table_lo at byte 8, Linux fs/ext4/ext4.h)."""
    data = images["ext4"].read_bytes()
    table = int.from_bytes(data[2048 + 8 : 2048 + 12], "little") * 1024
    at = table + 1024  # inodes 5 to 8 of 256 bytes: reserved ones, no name leads there
    with failing_drive(images["ext4"], tmp_path, [Fault(at, at + 1)]) as drive:
        header, entries = taken(drive, tmp_path)
    assert {owner.name for owner in header.capture.owners} == {"inode table of group 0"}
    assert entries["/photo2.jpg"].digest == blake3(FILES["photo2.jpg"]).hexdigest()


class Swallowing:
    """A reader of volumes that hides read errors: zeros come back in place of what failed."""

    def __init__(self, volume: NtfsListing) -> None:
        self._volume = volume

    def __getattr__(self, name: str) -> Any:
        return getattr(self._volume, name)

    def read(self, entry: Entry, offset: int, length: int, stream: str | None = None) -> bytes:
        """Return bytes whatever happens."""
        try:
            return self._volume.read(entry, offset, length, stream)
        except ReaderError:
            return bytes(length)


def test_reading_when_the_library_hides_an_error_then_there_is_no_hash_all_the_same(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """What counts is what the drive answered, not what a library made of it."""
    at = place_of(images["ntfs"], "photo3.jpg")
    fault = Fault(at, at + 1)
    with (
        failing_drive(images["ntfs"], tmp_path, [fault]) as path,
        open_drive(path, retries=0) as drive,
    ):
        task = Task(
            drive=str(path),
            file_id="",
            start=0,
            size_bytes=drive.size_bytes,
            sector_bytes=SECTOR,
            device_sector_bytes=SECTOR,
            kind="ntfs",
            raw=False,
            depth="full",
            seed="a",
            sample_files=0,
            sample_blocks=0,
            retries=0,
            rows=str(tmp_path / "rows"),
        )
        window = Window(drive, 0, drive.size_bytes, SECTOR)
        volume = Swallowing(NtfsListing(window))
        FileReading(task, drive, window, volume, Reporter(io.StringIO()), Answer()).run()
    rows = (
        decode_entry(parse_line(line))
        for line in (tmp_path / "rows").read_bytes().splitlines()
        if not line.startswith(SEGMENT_START)
    )
    entries = {entry.path: entry for entry in rows}
    assert entries["/photo3.jpg"].digest is None
    assert entries["/photo2.jpg"].digest == blake3(FILES["photo2.jpg"]).hexdigest()


def test_drive_when_it_fails_for_too_long_then_it_is_left_in_peace(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """After the patience is spent, and 8 places all over it failed too, no read reaches it."""
    fault = Fault(0, 24 * MIB, seconds=0.2)
    images["ntfs"].with_suffix(".reads").unlink(missing_ok=True)
    with (
        failing_drive(images["ntfs"], tmp_path, [fault]) as path,
        open_drive(path, retries=0) as drive,
    ):
        drive.patience_seconds = 0.3
        for offset in range(0, 4 * MIB, MIB):
            with pytest.raises(Exception, match="cannot be read"):
                drive.read_at(offset, MIB)
        assert drive.given_up
        assert drive.failures == 4
        asked = reads_of(images["ntfs"], fault)
        assert asked <= 8 + 1 + 8, "the first MiB in the kernel's pieces, a sector, 8 places"
        with pytest.raises(Exception, match="not read any more"):
            drive.read_at(8 * MIB, SECTOR)
        assert reads_of(images["ntfs"], fault) == asked


def test_drive_when_it_still_reads_elsewhere_then_it_is_not_given_up(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """A bad area that takes longer than the patience ends, and what lies behind it is read."""
    with (
        failing_drive(images["ntfs"], tmp_path, [Fault(0, 8 * SECTOR, seconds=0.2)]) as path,
        open_drive(path, retries=0) as drive,
    ):
        drive.patience_seconds = 0.3
        with pytest.raises(Exception, match="8 sectors fail"):
            drive.read_at(0, MIB)
        assert not drive.given_up
        assert drive.read_at(MIB, MIB) == images["ntfs"].read_bytes()[MIB : 2 * MIB]


def test_kernel_when_a_range_fails_then_it_answers_eio(
    images: dict[str, Path], tmp_path: Path
) -> None:
    """The helper is what it says it is."""
    with failing_drive(images["ntfs"], tmp_path, [Fault(0, 1)]) as path, path.open("rb") as file:
        with pytest.raises(OSError, match="Input/output") as caught:
            file.read(SECTOR)
        assert caught.value.errno == errno.EIO
