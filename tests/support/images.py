"""Whole-drive image files for tests: tables in pure Python, filesystems by the system's tools.

Tables are laid out by `tests.table.layouts`, after UEFI's and the MBR's offsets alone; no code
under test takes part. Images are sparse.
"""

from __future__ import annotations

import os
import struct
import subprocess
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import UUID

from tests.table.layouts import Entry, GptDrive, mbr

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

MIB = 1 << 20
STEP = MIB

ESP_TYPE = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
RESERVED_TYPE = "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"
BASIC_TYPE = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
RECOVERY_TYPE = "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC"
LINUX_TYPE = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
SWAP_TYPE = "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F"

RECOVERY_ATTRIBUTES = 0x8000000000000001
"""Required, no drive letter (Microsoft Learn, "UEFI/GPT-based hard drive partitions")."""

EXTENDED = 0x0F
LOGICAL_GAP = 2048
"""Sectors between a logical partition's own boot record and its start, as common tools leave."""


@dataclass
class GptTable:
    """A GPT to be written, or read back from an image that `make_gpt_drive` wrote.

    `sectors` counts the drive as the table sees it: its backup stands in the last of them.
    """

    sectors: int
    disk_guid: str
    entries: dict[int, Entry] = field(default_factory=dict)
    sector_bytes: int = 512

    def offset(self, number: int) -> int:
        """Return a partition's start in bytes."""
        return self.entries[number].first * self.sector_bytes

    def size(self, number: int) -> int:
        """Return a partition's length in bytes."""
        entry = self.entries[number]
        return (entry.last + 1 - entry.first) * self.sector_bytes


@dataclass(frozen=True)
class Slot:
    """An MBR partition in sectors."""

    start: int
    sectors: int
    type: int
    active: bool = False


def read_gpt(image: Path) -> GptTable:
    """Read the primary table back, in sectors of 512 or 4,096 bytes."""
    with image.open("rb") as file:
        head = file.read(2 * 4096 + 16_384)
    sector_bytes = next(size for size in (512, 4096) if head[size : size + 8] == b"EFI PART")
    header = head[sector_bytes : sector_bytes + 92]
    entries = {}
    for number in range(1, 129):
        row = head[2 * sector_bytes + 128 * (number - 1) :][:128]
        if any(row[:16]):
            first, last, attributes = struct.unpack_from("<QQQ", row, 32)
            entries[number] = Entry(
                first,
                last,
                str(UUID(bytes_le=row[:16])).upper(),
                str(UUID(bytes_le=row[16:32])).upper(),
                row[56:128].decode("utf-16-le").rstrip("\0"),
                attributes,
            )
    (alternate,) = struct.unpack_from("<Q", header, 32)
    disk_guid = str(UUID(bytes_le=header[56:72])).upper()
    return GptTable(alternate + 1, disk_guid, entries, sector_bytes)


def write_gpt(image: Path, table: GptTable) -> None:
    """Write both tables and the protective MBR, with right CRCs, into an image."""
    drive = GptDrive(table.sectors, table.entries, table.sector_bytes)
    drive.primary = replace(drive.primary, disk_guid=table.disk_guid)
    drive.backup = replace(drive.backup, disk_guid=table.disk_guid)
    with image.open("r+b") as file:
        for offset, data in drive.build().pieces.items():
            file.seek(offset)
            file.write(data)


def make_gpt_drive(image: Path, table: GptTable, volumes: Mapping[int, Path]) -> Path:
    """Make a drive with a GPT and the volumes given by partition number; the rest is zero."""
    _make_hole(image, table.sectors * table.sector_bytes)
    write_gpt(image, table)
    for number, volume in volumes.items():
        assert volume.stat().st_size <= table.size(number), "the volume does not fit"
        put_volume(image, volume, table.offset(number))
    return image


def make_mbr_drive(  # noqa: PLR0913 - a whole drive
    image: Path,
    sectors: int,
    primaries: Iterable[Slot],
    volumes: Mapping[int, Path],
    *,
    logicals: Iterable[Slot] = (),
    signature: int,
    sector_bytes: int = 512,
) -> Path:
    """Make a drive with an MBR.

    Args:
        image: where to write it.
        sectors: the drive's size.
        primaries: at most four, or three where there are logical partitions.
        volumes: what the partitions hold: primaries by 1, 2, …, logical ones by 5, 6, …
        logicals: in order, each with `LOGICAL_GAP` free sectors in front.
        signature: of the disk.
        sector_bytes: of one sector.
    """
    rows, inner = list(primaries), list(logicals)
    _make_hole(image, sectors * sector_bytes)
    records = [(0x80 if row.active else 0, row.type, row.start, row.sectors) for row in rows]
    with image.open("r+b") as file:
        if inner:
            base = inner[0].start - LOGICAL_GAP
            end = inner[-1].start + inner[-1].sectors
            records.append((0, EXTENDED, base, end - base))
            for row, following in zip(inner, [*inner[1:], None], strict=True):
                file.seek((row.start - LOGICAL_GAP) * sector_bytes)
                file.write(_extended_record(row, following, base))
        file.seek(0)
        file.write(mbr(*records, signature=signature))
    places = dict(enumerate(rows, 1))
    places |= dict(enumerate(inner, 5))
    for number, volume in volumes.items():
        put_volume(image, volume, places[number].start * sector_bytes)
    return image


def _extended_record(row: Slot, following: Slot | None, base: int) -> bytes:
    """Write a logical partition's boot record: itself, from here, and the next, from the first."""
    records = [(0, row.type, LOGICAL_GAP, row.sectors)]
    if following is not None:
        start = following.start - LOGICAL_GAP - base
        records.append((0, 0x05, start, LOGICAL_GAP + following.sectors))
    return mbr(*records)


def put_volume(image: Path, volume: Path, offset: int) -> None:
    """Copy a volume into an image at a byte, over zeros."""
    with volume.open("rb") as source, image.open("r+b") as target:
        for index, piece in enumerate(iter(lambda: source.read(STEP), b"")):
            if piece != bytes(len(piece)):
                target.seek(offset + index * STEP)
                target.write(piece)


def cut_volume(image: Path, offset: int, size: int, volume: Path) -> Path:
    """Copy a volume out of an image, sparsely."""
    _make_hole(volume, size)
    with image.open("rb") as source, volume.open("r+b") as target:
        source.seek(offset)
        for at in range(0, size, STEP):
            piece = source.read(min(STEP, size - at))
            if piece != bytes(len(piece)):
                target.seek(at)
                target.write(piece)
    return volume


def make_fat(  # noqa: PLR0913 - what a FAT volume is made of
    volume: Path,
    size: int,
    files: Mapping[str, bytes],
    *,
    bits: int = 16,
    hidden: int = 0,
    sector_bytes: int = 512,
    serial: str = "1DA7E0F0",
) -> Path:
    """Make a FAT volume with files, by `mkfs.vfat` and `mcopy`.

    Clusters are of one sector, or of mkfs's own choice on FAT12, so that small volumes have enough.
    """
    _make_hole(volume, size)
    run(
        *("mkfs.vfat", "--invariant", "-F", bits, "-i", serial, "-h", hidden),
        *("-S", sector_bytes, "-n", "INVENTED", *(() if bits == 12 else ("-s", 1)), volume),
    )
    with tempfile.TemporaryDirectory() as folder:
        tops = _write_tree(Path(folder), files)
        if tops:
            run("mcopy", "-s", "-p", "-m", "-Q", "-i", volume, *tops, "::/")
    return volume


def make_ext4(
    volume: Path,
    size: int,
    files: Mapping[str, bytes],
    *,
    uuid: str = "1da7e0f1-0000-4000-8000-00000000e4f4",
    block_bytes: int = 1024,
) -> Path:
    """Make an ext4 volume with files, by `mkfs.ext4 -d`."""
    _make_hole(volume, size)
    with tempfile.TemporaryDirectory() as folder:
        _write_tree(Path(folder), files)
        run(
            "mkfs.ext4",
            "-q",
            "-F",
            "-U",
            uuid,
            "-L",
            "invented",
            "-b",
            str(block_bytes),
            "-d",
            folder,
            volume,
        )
    return volume


def make_ntfs(
    volume: Path,
    size: int,
    files: Mapping[str, bytes],
    *,
    hidden: int = 0,
    sector_bytes: int = 512,
) -> Path:
    """Make an NTFS volume with files in its root only, by `mkntfs` and `ntfscp`, unmounted."""
    _make_hole(volume, size)
    run(
        *("mkntfs", "-Q", "-F", "-T", "-c", 4096, "-s", sector_bytes, "-p", hidden),
        *("-H", 255, "-S", 63, "-L", "Invented", volume),
    )
    for path, content in files.items():
        put_ntfs_file(volume, path, content)
    return volume


def put_ntfs_file(volume: Path, path: str, content: bytes) -> None:
    """Write a file into a folder that is there, over a file that may be there, by `ntfscp`."""
    with tempfile.NamedTemporaryFile() as file:
        file.write(content)
        file.flush()
        run("ntfscp", "-q", "-f", volume, file.name, path)


def make_swap(volume: Path, size: int) -> Path:
    """Make swap space, by `mkswap`."""
    _make_hole(volume, size)
    run("mkswap", "-q", "-U", "1da7e0f2-0000-4000-8000-000000005a5a", volume)
    return volume


def run(*command: object) -> str:
    """Run a tool, fail with what it said, return its standard output."""
    return run_bytes(*command).decode()


def run_bytes(*command: object) -> bytes:
    """Run a tool, fail with what it said, return its standard output as it is."""
    done = subprocess.run(
        [str(part) for part in command],
        check=False,
        capture_output=True,
        env={**os.environ, "TZ": "UTC", "LC_ALL": "C.UTF-8"},
    )
    assert done.returncode == 0, f"{command[0]}: {done.stdout!r}{done.stderr!r}"
    return done.stdout


def _write_tree(root: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files below a folder with a fixed time; return what lies in the folder itself."""
    for path, content in files.items():
        target = root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    for written in sorted(root.rglob("*"), reverse=True):
        os.utime(written, (1_750_000_000, 1_750_000_000))
    return sorted(root.iterdir())


def _make_hole(path: Path, size: int) -> None:
    with path.open("wb") as file:
        file.truncate(size)
