"""Listing NTFS: what ntfs-3g (through the kernel) wrote and read back, name by name.

Each test names the point of the library's behaviour that it holds; the volume is written by
ntfs-3g, so no expectation comes from this tool.
"""

from __future__ import annotations

import os
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from blake3 import blake3

from tests.support.drives import file_window
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.errors import ReaderError
from verify.filesystem.ntfs.entries import RecordEntries
from verify.filesystem.ntfs.listing import NtfsListing
from verify.filesystem.open import open_volume
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry
    from verify.filesystem.volume import Volume

pytestmark = [pytest.mark.root, pytest.mark.tools("mkntfs", "ntfs-3g", "setfattr", "umount")]

MANY = 10_000
WOF_TAG, JUNCTION_TAG, CLOUD_TAG = 0x80000017, 0xA0000003, 0x9000601A


@dataclass(frozen=True)
class Written:
    """A volume and what was read back through its mount: every path's bytes."""

    image: Path
    files: dict[str, bytes]
    folders: set[str]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Written]:
    """Write one volume with everything that can go wrong in a listing."""
    folder = tmp_path_factory.mktemp("ntfs")
    image, mount = folder / "volume.img", folder / "mount"
    mount.mkdir()
    with image.open("wb") as file:
        file.truncate(96 << 20)
    subprocess.run(["mkntfs", "-q", "-F", "-Q", "-L", "LISTING", image], check=True)
    options = "streams_interface=xattr,compression,uid=0"
    subprocess.run(["ntfs-3g", "-o", options, image, mount], check=True)
    try:
        _fill(mount)
        files, folders = _read_back(mount)
    finally:
        subprocess.run(["umount", mount], check=True)
    yield Written(image, files, folders)
    image.unlink()


def _fill(mount: Path) -> None:
    (mount / "empty.txt").touch()
    (mount / "resident.txt").write_bytes(b"a few bytes")
    with (mount / "sparse.bin").open("wb") as file:
        file.seek(6 << 20)
        file.write(b"the end")
    compressed = mount / "compressed"
    compressed.mkdir()
    _set(compressed, "system.ntfs_attrib_be", "0x00000800")
    (compressed / "repeating.txt").write_bytes(b"again and again " * 40_000)
    (compressed / "random.bin").write_bytes(os.urandom(300_000))
    (mount / "streams.txt").write_bytes(b"main")
    _set(mount / "streams.txt", "user.second", "0x7365636f6e64")
    (mount / ("n" * 251 + ".txt")).write_bytes(b"long name")
    (mount / "Grüße-日本語-🙂.txt").write_bytes(b"names")
    (mount / "line\nbreak.txt").write_bytes(b"control")
    (mount / "CASE.txt").write_bytes(b"upper")
    (mount / "case.TXT").write_bytes(b"lower")
    deep = mount
    for level in range(60):
        deep /= f"level-{level:02}"
    deep.mkdir(parents=True)
    (deep / "bottom.txt").write_bytes(b"deep")
    many = mount / "many"
    many.mkdir()
    for number in range(MANY):
        (many / f"{number:05}").touch()
    (mount / "first.txt").write_bytes(b"one file" * 2_000)
    os.link(mount / "first.txt", mount / "second.txt")
    for number in range(120):  # beyond what one file record holds: an attribute list
        os.link(mount / "first.txt", mount / f"link-{number:03}-with-a-name-that-takes-room.txt")
    (mount / "system.dll").write_bytes(bytes(5_000))
    _set(mount / "system.dll", "user.WofCompressedData", "0x" + b"packed".hex())
    _set(mount / "system.dll", "system.ntfs_reparse_data", _reparse(WOF_TAG, bytes(16)))
    (mount / "pointer").mkdir()
    _set(mount / "pointer", "system.ntfs_reparse_data", _reparse(JUNCTION_TAG, _junction("C:\\x")))
    cloud = mount / "cloud"
    cloud.mkdir()
    (cloud / "inside.txt").write_bytes(b"kept on this drive, too")
    _set(cloud, "system.ntfs_reparse_data", _reparse(CLOUD_TAG, bytes(16)))
    (mount / "large.bin").write_bytes(os.urandom(9 << 20))
    _set(mount / "large.bin", "user.beside", "0x" + b"beside".hex())
    (mount / "deleted.txt").write_bytes(b"gone")
    (mount / "deleted.txt").unlink()


def _set(path: Path, name: str, value: str) -> None:
    subprocess.run(["setfattr", "-h", "-n", name, "-v", value, path], check=True)


def _reparse(tag: int, data: bytes) -> str:
    """Return a reparse buffer as setfattr takes it ([MS-FSCC] 2.1.2.2)."""
    return "0x" + (tag.to_bytes(4, "little") + len(data).to_bytes(4, "little") + data).hex()


def _junction(place: str) -> bytes:
    """Return the data of a mount point ([MS-FSCC] 2.1.2.5)."""
    name, shown = f"\\??\\{place}".encode("utf-16-le"), place.encode("utf-16-le")
    lengths = (0, len(name), len(name) + 2, len(shown))
    return b"".join(n.to_bytes(2, "little") for n in lengths) + name + b"\0\0" + shown + b"\0\0"


def _read_back(mount: Path) -> tuple[dict[str, bytes], set[str]]:
    files: dict[str, bytes] = {}
    folders: set[str] = set()
    for folder, names, leaves in os.walk(mount):
        base = "/" + os.path.relpath(folder, mount)
        base = "" if base == "/." else base
        names[:] = [name for name in names if name not in {"pointer", "cloud"}]
        folders |= {f"{base}/{name}" for name in names}
        for leaf in leaves:
            path = Path(folder) / leaf
            if leaf not in {"system.dll", "pointer", "cloud"}:
                files[f"{base}/{leaf}"] = path.read_bytes()
    return files, folders


@pytest.fixture(scope="module")
def volume(written: Written) -> Volume:
    """Open the volume as the tool does."""
    return open_volume(file_window(written.image), "ntfs")


@pytest.fixture(scope="module")
def entries(volume: Volume) -> dict[str, Entry]:
    """List the volume."""
    return {entry.path: entry for entry in volume.entries()}


def test_listing_when_written_by_another_driver_then_every_name_is_there(
    written: Written, entries: dict[str, Entry]
) -> None:
    """10,000 names in one folder, 60 levels, 255 characters, non-Latin, a line break, two cases.

    Metadata files, `.` and deleted names are left out; every hard link counts.
    """
    special = {"/system.dll", "/pointer", "/cloud", "/cloud/inside.txt"}
    assert entries.keys() - special == written.files.keys() | written.folders
    assert sum(path.startswith("/many/") for path in entries) == MANY


def test_records_when_taken_by_the_thousand_then_they_say_what_the_library_says(
    written: Written, entries: dict[str, Entry], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each entry is the same by the library's attribute objects, one by one, and its own walk.

    The volume has enough records to be taken by the thousand. Only what has an attribute list is
    left to the library.
    """
    asked: list[str] = []

    def library(
        records: RecordEntries, path: str, reference: int, short: str | None, parent: int
    ) -> None:
        assert records.many
        if in_bulk(records, path, reference, short, parent) is None:
            asked.append(path)

    in_bulk = RecordEntries.entry
    monkeypatch.setattr(RecordEntries, "entry", library)
    opened = list(open_volume(file_window(written.image), "ntfs").entries())
    alone = NtfsListing(file_window(written.image))
    alone.records = None
    walked = list(alone.entries())
    assert opened == walked == list(entries.values())
    assert {path for path in asked if not path.startswith("/link-")} == {
        "/first.txt",
        "/second.txt",
    }


def test_contents_when_written_by_another_driver_then_every_byte_is_the_same(
    written: Written, volume: Volume, entries: dict[str, Entry]
) -> None:
    """Compressed, sparse, resident, empty and many-linked files (read back through ntfs-3g)."""
    for path, data in written.files.items():
        entry = entries[path]
        assert entry.size == len(data), path
        read = b"".join(
            volume.read(entry, at, min(1 << 20, entry.size - at))
            for at in range(0, entry.size, 1 << 20)
        )
        assert read == data, path


def test_names_when_two_differ_in_case_alone_then_each_has_its_own_contents(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """The library opens paths without regard to case; records are opened by number instead."""
    for path, data in (("/CASE.txt", b"upper"), ("/case.TXT", b"lower")):
        assert volume.read(entries[path], 0, 5) == data


def test_stream_when_it_is_named_then_it_is_listed_and_read_apart(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """The library's path syntax for streams returns the main one; attributes are used instead."""
    entry = entries["/streams.txt"]
    assert [(item.name, item.size) for item in entry.streams] == [("second", 6)]
    assert volume.read(entry, 0, 6, "second") == b"second"
    assert volume.read(entry, 0, 4) == b"main"


def test_stream_when_it_is_not_there_then_it_is_an_error_and_not_the_main_one(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """A wrong name must never be answered with other bytes."""
    with pytest.raises(ReaderError):
        volume.read(entries["/streams.txt"], 0, 4, "third")


def test_system_compressed_file_when_listed_then_tag_stream_and_data_are_its_contents(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """Tag 0x80000017: the main stream reads as zeros, the data is in a stream of its own."""
    entry = entries["/system.dll"]
    assert entry.reparse == f"{WOF_TAG:08X}"
    assert [(item.name, item.size) for item in entry.streams] == [("WofCompressedData", 6)]
    assert volume.read(entry, 0, 6, "WofCompressedData") == b"packed"
    assert volume.reparse_data(entry)[:4] == WOF_TAG.to_bytes(4, "little")


def test_junction_when_listed_then_its_tag_and_data_are_kept_and_it_is_not_followed(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """The library shows a plain folder; attribute 0xC0 tells ([MS-FSCC] 2.1.2.5)."""
    entry = entries["/pointer"]
    assert entry.kind == "folder"
    assert entry.reparse == f"{JUNCTION_TAG:08X}"
    assert "C:\\x".encode("utf-16-le") in volume.reparse_data(entry)


def test_folder_when_its_tag_is_of_a_cloud_then_its_contents_are_listed(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """Tag 0x9000601A is no name surrogate ([MS-FSCC] 2.1.2.1, bit 29): the folder has contents."""
    assert entries["/cloud"].reparse == f"{CLOUD_TAG:08X}"
    assert volume.read(entries["/cloud/inside.txt"], 0, 4) == b"kept"


def test_sample_when_a_large_file_has_streams_then_they_are_read_whole(
    written: Written, tmp_path: Path
) -> None:
    """A large file is drawn by blocks; what stands beside its main stream is hashed whole."""
    path = tmp_path / "manifest"
    capture(str(written.image), path, CaptureOptions(sample_files=1, sample_blocks=1))
    (large,) = [item for item in open_manifest(path).entries(0) if item.path == "/large.bin"]
    assert large.digest is None
    (stream,) = large.streams
    assert (stream.name, stream.digest) == ("beside", blake3(b"beside").hexdigest())


def test_hard_links_when_listed_then_they_share_one_node(entries: dict[str, Entry]) -> None:
    """122 names, one record: hashed and counted in bytes once."""
    names = [path for path in entries if path.startswith("/link-")] + ["/first.txt", "/second.txt"]
    assert len(names) == 122
    assert len({entries[path].node for path in names}) == 1


def test_sparse_file_when_listed_then_holes_are_no_extents(entries: dict[str, Entry]) -> None:
    """6 MiB of hole: the extents hold one cluster."""
    assert sum(count for _, count in entries["/sparse.bin"].extents) <= 16


def test_reading_when_asked_beyond_the_end_then_a_short_answer_is_an_error(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """The library returns fewer bytes, or none, without a word."""
    with pytest.raises(ReaderError):
        volume.read(entries["/resident.txt"], 0, 1 << 20)
    with pytest.raises(ReaderError):
        volume.read(entries["/resident.txt"], 0, 1 << 34)


def test_reading_when_nothing_is_asked_then_nothing_is_an_error(
    volume: Volume, entries: dict[str, Entry]
) -> None:
    """The library raises on a read of no bytes of an empty file."""
    assert volume.read(entries["/empty.txt"], 0, 0) == b""


def test_siblings_when_listed_then_they_come_in_the_order_of_code_points(
    volume: Volume,
) -> None:
    """Two listings are merged as they stream: the order must follow from the names alone."""
    keys = [entry.path.split("/") for entry in volume.entries()]
    assert keys == sorted(keys)
