"""Opening files one after the other does not send the head to their records and back."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support.images import MIB, make_ext4, make_ntfs, run
from verify.filesystem.open import open_volume
from verify.source.drive import open_drive
from verify.source.window import Window

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.entry import Entry
    from verify.source.drive import Drive

pytestmark = [
    pytest.mark.root,
    pytest.mark.tools("mkntfs", "ntfscp", "ntfs-3g", "umount", "mkfs.ext4"),
]

FILES = {f"name{number:04}": b"%04d" % number * 5_000 for number in range(400)}


class Traced:
    """A drive that remembers where its reads began."""

    def __init__(self, drive: Drive) -> None:
        self.drive = drive
        self.name, self.size_bytes = drive.name, drive.size_bytes
        self.reads: list[tuple[int, int]] = []

    def read_at(self, offset: int, length: int) -> bytes:
        """Read, and note it."""
        self.reads.append((offset, length))
        return self.drive.read_at(offset, length)


def ntfs(folder: Path) -> Path:
    """Make a volume with the files, through ntfs-3g."""
    image, mount = folder / "volume.img", folder / "mount"
    run("truncate", "-s", str(64 * MIB), image)
    run("mkntfs", "-Q", "-F", "-q", image)
    mount.mkdir()
    subprocess.run(["ntfs-3g", image, mount], check=True)
    try:
        for name, data in FILES.items():
            (mount / name).write_bytes(data)
    finally:
        subprocess.run(["umount", mount], check=True)
    return image


def ext4(folder: Path) -> Path:
    """Make a volume with the files, by mkfs.ext4."""
    return make_ext4(folder / "volume.img", 64 * MIB, FILES)


@pytest.mark.parametrize(("make", "kind"), [(ntfs, "ntfs"), (ext4, "ext4")])
def test_files_when_prepared_then_reading_them_goes_forward_only(
    make: object, kind: str, tmp_path: Path
) -> None:
    """In the order of the drive: the same bytes, and nearly no way back."""
    image = make(tmp_path)  # type: ignore[operator]
    travelled = {}
    for prepared in (False, True):
        with open_drive(image) as drive:
            traced = Traced(drive)
            volume = open_volume(Window(traced, 0, drive.size_bytes, 512), kind)
            files: list[Entry] = [item for item in volume.entries() if item.path[1:] in FILES]
            files.sort(key=lambda entry: entry.extents[0])
            traced.reads.clear()
            if prepared:
                volume.prepare([entry.node for entry in files])
            for entry in files:
                assert volume.read(entry, 0, entry.size) == FILES[entry.path[1:]]
            ends = [0, *(offset + length for offset, length in traced.reads)]
            starts = (offset for offset, _ in traced.reads)
            travelled[prepared] = sum(abs(at - end) for at, end in zip(starts, ends, strict=False))
    assert travelled[True] * 4 < travelled[False]


def test_files_when_they_lie_beside_records_then_every_byte_of_them_is_read(
    tmp_path: Path,
) -> None:
    """A full volume gives files the clusters right behind its records."""
    files = {f"name{number:03}": b"%03d" % number * 3_000 for number in range(20)}
    files["large"] = bytes(range(256)) * (20 << 12)
    image = make_ntfs(tmp_path / "volume.img", 24 * MIB, files)
    with open_drive(image) as drive:
        volume = open_volume(Window(drive, 0, drive.size_bytes, 512), "ntfs")
        entries = [item for item in volume.entries() if item.kind == "file"]
        starts = {volume.place(*run).start for entry in entries for run in entry.extents}
        assert starts & {place.start + place.length for place in volume.structures()}
        volume.prepare(range(100))
        for entry in entries:
            data = files[entry.path[1:]]
            for at in range(0, entry.size, MIB):
                size = min(MIB, entry.size - at)
                assert volume.read(entry, at, size) == data[at : at + size]


def test_prepare_when_asked_for_records_that_are_not_there_then_nothing_happens(
    tmp_path: Path,
) -> None:
    """Numbers that a hostile listing may hold."""
    with open_drive(ext4(tmp_path)) as drive:
        volume = open_volume(Window(drive, 0, drive.size_bytes, 512), "ext4")
        volume.prepare([0, -1, 1 << 60])
        assert len(list(volume.entries())) == len(FILES) + 1
