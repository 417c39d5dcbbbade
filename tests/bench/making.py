"""Drives and manifests of a size that shows what a file, a byte and a row cost."""

from __future__ import annotations

import os
import random
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from verify.capture.drive_capture import capture
from verify.capture.options import CaptureOptions
from verify.capture.row_store import RowStore
from verify.filesystem.entry import Entry
from verify.manifest.file import open_manifest, write_manifest
from verify.manifest.partition_contents import Contents, Listing

if TYPE_CHECKING:
    from collections.abc import Sequence

FILES_A_FOLDER = 500
_POOL_BYTES = 64 << 20


def make_ntfs_files(
    image: Path, files: int, largest: int, *, size: int, shuffled: bool = False
) -> Path:
    """Make an NTFS volume of one kind of files, as `make_ntfs_volume` does."""
    return make_ntfs_volume(image, ((files, largest),), size=size, shuffled=shuffled)


def make_ntfs_volume(
    image: Path, kinds: Sequence[tuple[int, int]], *, size: int, shuffled: bool = False
) -> Path:
    """Make an NTFS volume by `mkntfs` and a mount of it.

    `kinds`: how many files of up to how many bytes, of exactly 64 MiB where that is the most.
    `shuffled`: written in no order of their names. An image that is there already is left as it
    is: writing 200,000 files takes minutes.
    """
    make = ("mkntfs", "-Q", "-F", "-q", "-T")
    ways = make, ("ntfs-3g", "-o", "big_writes")
    return _made(image, size, ways, kinds, shuffled=shuffled)


def make_ext_volume(image: Path, kinds: Sequence[tuple[int, int]], *, size: int) -> Path:
    """Make an ext4 volume by `mkfs.ext4` and a mount of it, as `make_ntfs_volume` does."""
    make = ("mkfs.ext4", "-q", "-F", "-N", str(sum(files for files, _ in kinds) + 10_000))
    return _made(image, size, (make, ("mount", "-o", "loop")), kinds)


def _made(
    image: Path,
    size: int,
    ways: tuple[Sequence[str], Sequence[str]],
    kinds: Sequence[tuple[int, int]],
    *,
    shuffled: bool = False,
) -> Path:
    """Make, mount and fill a volume by these two `ways` to begin a command."""
    if image.exists():
        return image
    make, mount = ways
    half = image.with_name(f"{image.name}.half")
    with half.open("wb") as file:
        file.truncate(size)
    subprocess.run([*make, half], check=True, capture_output=True)
    with tempfile.TemporaryDirectory() as point:
        subprocess.run([*mount, half, point], check=True)
        try:
            _fill(Path(point), kinds, shuffled=shuffled)
        finally:
            subprocess.run(["umount", point], check=True)
    return half.rename(image)


def _fill(point: Path, kinds: Sequence[tuple[int, int]], *, shuffled: bool) -> None:
    chance = random.Random(1)
    pool = os.urandom(_POOL_BYTES)
    for kind, (files, largest) in enumerate(kinds):
        numbers = list(range(files))
        if shuffled:
            chance.shuffle(numbers)
        for number in numbers:
            folder = point / f"kind{kind}-{number // FILES_A_FOLDER:04}"
            folder.mkdir(exist_ok=True)
            length = largest if largest == _POOL_BYTES else chance.randrange(largest)
            start = chance.randrange(_POOL_BYTES - length + 1)
            data = pool[start : start + length]
            (folder / f"file{number % FILES_A_FOLDER:04}.dat").write_bytes(data)


def make_manifests(folder: Path, rows: int) -> tuple[Path, Path]:
    """Make two manifests of `rows` files with equal contents, in other places on the drive."""
    paths = folder / f"source-{rows}.gz", folder / f"target-{rows}.gz"
    if all(path.exists() for path in paths):
        return paths
    for side, path in enumerate(paths):
        image = make_ntfs_files(folder / f"empty{side}.ntfs", 1, 100, size=64 << 20)
        capture(str(image), path, CaptureOptions(depth="full"))
        header = open_manifest(path).header
        listing = Listing(files=rows, folders=0, bytes=rows * 1000)
        contents = Contents(
            files_in_draw=rows, files_drawn=rows, files_hashed=rows, bytes_hashed=rows * 1000
        )
        update = {"listing": listing, "contents": contents}
        partition = header.partitions[0].model_copy(update=update)
        lines = folder / "rows"
        _write_rows(lines, rows, side)
        whole = header.model_copy(update={"partitions": (partition,)})
        write_manifest(path, whole, {partition.number: lines})
        lines.unlink()
    return paths


def _write_rows(path: Path, rows: int, side: int) -> None:
    chance = random.Random(2)
    with RowStore(path.with_suffix(".listed")) as store:
        for number in range(rows):
            if number % FILES_A_FOLDER == 0:
                top = f"/folder{number // FILES_A_FOLDER:06}"
                store.append(Entry("folder", top, node=64 + number))
            entry = Entry("file", f"{top}/file{number % FILES_A_FOLDER:04}.dat", size=1000)
            entry.modified = entry.changed = entry.created = 1_700_000_000_123_456_700 + number
            entry.node, entry.attributes = 100 + number, 32
            entry.extents = [(1000 + number + side * 7_000, 1)]
            store.append(entry)
        store.finish_listing()
        for number in range(len(store)):
            if number % (FILES_A_FOLDER + 1):
                store.put_digest(number, chance.randbytes(32).hex().encode())
        with path.open("wb") as out:
            out.writelines(store.rows())
