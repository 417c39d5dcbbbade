"""Listing FAT and exFAT: volumes filled by mtools, and one directory entry made by hand."""

from __future__ import annotations

import os
import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import file_window
from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.filesystem.open import open_volume
from verify.manifest.file import open_manifest

if TYPE_CHECKING:
    from pathlib import Path

FATS = {"fat12": (2, "12"), "fat16": (24, "16"), "fat32": (48, "32")}


def make_fat(folder: Path, kind: str, files: dict[str, bytes]) -> Path:
    """Make a FAT volume with mkfs.fat and fill it with mtools."""
    size, width = FATS[kind]
    image = folder / f"{kind}.img"
    with image.open("wb") as file:
        file.truncate(size << 20)
    cluster = ["-s", "1"] if kind == "fat32" else []
    subprocess.run(
        ["mkfs.fat", "-F", width, "-n", "LABEL", *cluster, image], check=True, capture_output=True
    )
    environment = {**os.environ, "MTOOLS_SKIP_CHECK": "1", "LC_ALL": "C.UTF-8"}
    subprocess.run(["mmd", "-i", image, "::/Folder"], check=True, env=environment)
    for name, data in files.items():
        local = folder / "local"
        local.write_bytes(data)
        subprocess.run(["mcopy", "-i", image, local, f"::{name}"], check=True, env=environment)
    return image


@pytest.mark.tools("mkfs.fat", "mcopy", "mmd", "mdel")
@pytest.mark.parametrize("kind", FATS)
def test_contents_when_mtools_filled_it_then_every_name_and_byte_is_there(
    kind: str, tmp_path: Path
) -> None:
    """Long and non-Latin names; the volume label and deleted names are no files."""
    files = {
        "/SHORT.TXT": b"short",
        "/a long name with spaces.document": b"long" * 5_000,
        "/Grüße.txt": b"umlauts",
        "/Folder/inside.txt": b"inside",
        "/empty.txt": b"",
        "/$MBR": b"a name that the library makes up for the boot record",
        "/deleted.txt": b"gone",
    }
    image = make_fat(tmp_path, kind, files)
    subprocess.run(["mdel", "-i", image, "::/deleted.txt"], check=True)
    del files["/deleted.txt"]
    volume = open_volume(file_window(image), kind)
    entries = {entry.path: entry for entry in volume.entries()}
    assert entries.keys() == files.keys() | {"/Folder"}
    for path, data in files.items():
        assert entries[path].size == len(data)
        assert volume.read(entries[path], 0, len(data)) == data


@pytest.mark.tools("mkfs.fat", "mcopy", "mmd", "touch")
def test_times_when_the_machine_is_elsewhere_then_a_fat_file_keeps_its_local_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """FAT keeps local time; read with TZ in New York it must not move (the library shifts it)."""
    image = tmp_path / "fat16.img"
    with image.open("wb") as file:
        file.truncate(24 << 20)
    subprocess.run(["mkfs.fat", "-F", "16", image], check=True, capture_output=True)
    local = tmp_path / "local"
    local.write_bytes(b"x")
    moment = 1_700_000_000  # 2023-11-14 22:13:20 UTC, an even second
    os.utime(local, (moment, moment))
    subprocess.run(
        ["mcopy", "-m", "-i", image, local, "::/file.txt"],
        check=True,
        env={**os.environ, "TZ": "UTC", "MTOOLS_SKIP_CHECK": "1"},
    )
    monkeypatch.setenv("TZ", "America/New_York")
    capture(str(image), tmp_path / "manifest", CaptureOptions(depth="layout"))
    (entry,) = open_manifest(tmp_path / "manifest").entries(0)
    assert entry.modified == moment * 1_000_000_000


@pytest.mark.tools("mkfs.exfat")
def test_exfat_when_data_ends_before_the_length_then_the_rest_reads_as_zeros(
    tmp_path: Path,
) -> None:
    """ValidDataLength (exFAT specification, 7.6.5): what stands behind it is not the file's.

    The entry set is written by hand from the specification's tables: the library would return
    the stale bytes.
    """
    image = tmp_path / "exfat.img"
    with image.open("wb") as file:
        file.truncate(16 << 20)
    subprocess.run(["mkfs.exfat", image], check=True, capture_output=True)
    boot = image.read_bytes()[:512]
    heap_sector, _, root_cluster = (int(item) for item in struct.unpack_from("<III", boot, 88))
    sector, cluster = 1 << boot[108], 1 << boot[108] << boot[109]

    def place(number: int) -> int:
        return heap_sector * sector + (number - 2) * cluster

    free_cluster = root_cluster + 5
    with image.open("r+b") as volume_file:
        volume_file.seek(place(root_cluster))
        directory = bytearray(volume_file.read(cluster))
        end = next(at for at in range(0, cluster, 32) if directory[at] == 0)
        directory[end : end + 96] = _entry_set(free_cluster, valid=100, length=1000)
        volume_file.seek(place(root_cluster))
        volume_file.write(directory)
        volume_file.seek(place(free_cluster))
        volume_file.write(b"S" * cluster)
    volume = open_volume(file_window(image), "exfat")
    (entry,) = [item for item in volume.entries() if item.kind == "file"]
    assert (entry.path, entry.size) == ("/half.bin", 1000)
    assert volume.read(entry, 0, 1000) == b"S" * 100 + bytes(900)
    assert volume.read(entry, 90, 20) == b"S" * 10 + bytes(10)


def _entry_set(cluster: int, *, valid: int, length: int) -> bytes:
    """Return a file's three entries: 0x85, 0xC0 with NoFatChain, 0xC1 (sections 7.4, 7.6, 7.7)."""
    name = "half.bin"
    stamp = (2024 - 1980) << 25 | 1 << 21 | 1 << 16
    first = struct.pack("<BBHHHIII12x", 0x85, 2, 0, 0x20, 0, stamp, stamp, stamp)
    stream = struct.pack("<BBBBHHQIIQ", 0xC0, 0x03, 0, len(name), 0, 0, valid, 0, cluster, length)
    names = struct.pack("<BB30s", 0xC1, 0, name.encode("utf-16-le"))
    entries = bytearray(first + stream + names)
    checksum = 0
    for index, byte in enumerate(entries):
        if index not in {2, 3}:  # section 6.3.3: the field itself is left out
            checksum = ((checksum << 15 | checksum >> 1) + byte) & 0xFFFF
    struct.pack_into("<H", entries, 2, checksum)
    return bytes(entries)
