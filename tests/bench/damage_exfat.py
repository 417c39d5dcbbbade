"""exFAT for the campaign of random damage: by mkfs.exfat and exfat-fuse, which is an oracle too.

The other is fsck.exfat. Needs root and FUSE; the kernel's own driver is used by neither.
"""

from __future__ import annotations

import os
import stat
import struct
import subprocess
import time
from contextlib import contextmanager, suppress
from hashlib import sha256
from typing import TYPE_CHECKING

from tests.bench.damage_table import Structure
from tests.bench.mounted_listing import mounted_listing

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.bench.damage import Listing, Target

PATIENCE_SECONDS = 20
_VOLUMES = (
    ("2M", ("-c", "512", "-b", "64K")),
    ("3M", ("-c", "4K", "-b", "64K")),
    ("2M", ("-c", "1K", "-b", "64K", "--pack-bitmap")),
)
_HARMLESS = ("WARN: volume was not unmounted cleanly",)
"""The dirty mark, which is a rule of its own."""


class Exfat:
    """The family."""

    def volumes(self, folder: Path) -> list[tuple[str, bytes, bytes]]:
        """Return volumes of other cluster sizes, and each as it was some files before."""
        found = []
        for size, options in _VOLUMES:
            image = folder / "made.img"
            image.unlink(missing_ok=True)
            subprocess.run(["truncate", "-s", size, image], check=True)
            command = ["mkfs.exfat", "-n", "Wörk", *options, image]
            subprocess.run(command, check=True, capture_output=True)
            with mounted(image, folder / "making") as mount:
                _first(mount)
            older = image.read_bytes()
            with mounted(image, folder / "making") as mount:
                _then(mount)
            found.append(("exfat", older, image.read_bytes()))
        return found

    def targets(self, volume: bytes) -> list[Target]:
        """Return boot regions, the FAT as far as it is in use, bitmap, up-case table, folders."""
        sector, cluster = 1 << volume[108], 1 << (volume[108] + volume[109])
        fat, _, heap, count, root = struct.unpack_from("<5I", volume, 80)
        found: list[Target] = [("boot sector", 0, 120)] * 6
        found += [("boot region", sector, 11 * sector), ("copy", 12 * sector, 12 * sector)]
        used = min(4 * (count + 2), 4 * 600)
        found += [("FAT", fat * sector, used)] * 10

        def clusters(first: int, length: int | None, *, chained: bool) -> list[tuple[int, int]]:
            places: list[tuple[int, int]] = []
            number = first
            while 2 <= number < count + 2 and (length is None or len(places) * cluster < length):
                places.append((heap * sector + (number - 2) * cluster, cluster))
                entry = struct.unpack_from("<I", volume, fat * sector + 4 * number)[0]
                number = entry if chained else number + 1
            return places

        folders = clusters(root, None, chained=True)
        is_folder = 0
        while folders:
            at, length = folders.pop()
            found += [(f"folder at {at}", at, length)] * 3
            for entry in range(at, at + length, 32):
                kind, flags = volume[entry], volume[entry + 1]
                first, size = struct.unpack_from("<IQ", volume, entry + 20)
                if kind in {0x81, 0x82}:
                    places = clusters(first, size, chained=True)
                    name = "bitmap" if kind == 0x81 else "up-case table"
                    found += [(name, place, size) for place, size in places[:2]] * 6
                elif kind == 0x85:
                    is_folder = volume[entry + 4] & 0x10
                elif kind == 0xC0 and is_folder:
                    folders += clusters(first, size, chained=not flags & 2)
        return found

    def table_volumes(self, folder: Path) -> Iterator[tuple[str, bytes, bytes, list[Structure]]]:
        """Yield a volume in clusters of 4 KiB, and its structures."""
        kind, older, data = self.volumes(folder)[1]
        yield kind, older, data, _structures(data)

    def oracle(self, volume: bytes, folder: Path) -> tuple[str | None, Listing]:
        """Check a copy; mount it, list and read it, fill it, and list and read it again."""
        image = folder / "case.img"
        image.write_bytes(volume)
        told = _checked(image)
        try:
            with mounted(image, folder / "mount") as mount:
                listing = mounted_listing(mount, _row)
                _fill(mount)
            with mounted(image, folder / "mount") as mount:
                after = mounted_listing(mount, _row)
        except subprocess.CalledProcessError as error:
            return f"mount: {str(error.stderr).strip()[-120:]}", {}
        except subprocess.TimeoutExpired:
            return "mount: no end", {}
        changed = [path for path, row in listing.items() if after.get(path) != row]
        if changed:
            return f"filling the volume changes {sorted(changed)[:3]}", listing
        return told, listing


def _structures(volume: bytes) -> list[Structure]:
    sector, cluster = 1 << volume[108], 1 << (volume[108] + volume[109])
    fat, _, heap, _, root = struct.unpack_from("<5I", volume, 80)
    start = heap * sector

    def place(number: int) -> int:
        return int(start + (number - 2) * cluster)

    def first_of(entry: int) -> int:
        return int.from_bytes(volume[entry + 20 : entry + 24], "little")

    entries = range(place(root), place(root) + cluster, 32)
    label, bitmap, table = (
        next(at for at in entries if volume[at] == kind) for kind in (0x83, 0x81, 0x82)
    )
    name = "one".encode("utf-16-le").ljust(30, b"\0")
    file = volume.index(b"\xc1\0" + name, start) - 64
    folder = volume.index(b"\xc1\0" + "some".encode("utf-16-le").ljust(30, b"\0"), start) - 64
    first, inside = first_of(file + 32), first_of(folder + 32)
    end = next(at for at in entries if not volume[at])
    return [
        Structure("VolumeLength", 72, 8, b"\0\x40"),
        Structure("FatOffset", 80, 4, b"\x81"),
        Structure("FatLength", 84, 4, b"\1"),
        Structure("ClusterHeapOffset", 88, 4, b"\1\1"),
        Structure("ClusterCount", 92, 4, b"\x10"),
        Structure("FirstClusterOfRootDirectory", 96, 4, b"\7"),
        Structure("FileSystemRevision", 104, 2, b"\0\2"),
        Structure("VolumeFlags", 106, 1, b"\1"),
        Structure("BytesPerSectorShift", 108, 1, b"\x0a"),
        Structure("SectorsPerClusterShift", 109, 1, b"\2"),
        Structure("NumberOfFats", 110, 1, b"\2"),
        Structure("boot signature", 510, 2, b"\x55\xab"),
        Structure("extended boot sectors", sector + 100, 8, b"\xeb"),
        Structure("boot checksum", 11 * sector, 4, b"\x99"),
        Structure("backup boot sector", 12 * sector + 80, 8, b"\x81"),
        Structure("backup checksum", 23 * sector, 4, b"\x99"),
        Structure("FatEntry[0]", fat * sector, 4, b"\xf9"),
        Structure("FatEntry[1]", fat * sector + 4, 4, b"\0"),
        Structure("FAT, the bitmap's", fat * sector + 4 * first_of(bitmap), 4, b"\0\0\0\0"),
        Structure("FAT, the root's", fat * sector + 4 * root, 4, b"\xf7\xff\xff\xff"),
        Structure("FAT, a file's", fat * sector + 4 * first, 4, struct.pack("<I", first + 5)),
        Structure("volume label", label + 1, 1, b"\x30"),
        Structure("bitmap entry, type", bitmap, 1, b"\1"),
        Structure("bitmap entry, FirstCluster", bitmap + 20, 4, b"\x40"),
        Structure("bitmap entry, DataLength", bitmap + 24, 8, b"\1\0\0\0"),
        Structure("allocation bitmap", place(first_of(bitmap)), 16, b"\0"),
        Structure("up-case entry, type", table, 1, b"\2"),
        Structure("up-case entry, TableChecksum", table + 4, 4, b"\x99"),
        Structure("up-case entry, FirstCluster", table + 20, 4, b"\x40"),
        Structure("up-case entry, DataLength", table + 24, 8, b"\x80"),
        Structure("up-case table", place(first_of(table)) + 200, 2, b"\x77"),
        Structure("file entry, type", file, 1, b"\5"),
        Structure("file entry, SecondaryCount", file + 1, 1, b"\3"),
        Structure("file entry, SetChecksum", file + 2, 2, b"\x99"),
        Structure("file entry, FileAttributes", file + 4, 2, b"\x30"),
        Structure("stream extension, type", file + 32, 1, b"\x40"),
        Structure("stream extension, NameLength", file + 35, 1, b"\2"),
        Structure("stream extension, NameHash", file + 36, 2, b"\x99"),
        Structure("stream extension, FirstCluster", file + 52, 4, b"\x40"),
        Structure("stream extension, DataLength", file + 56, 8, b"\x01"),
        Structure("a character of a name", file + 66, 2, b"X"),
        Structure("an entry set", file, 96, b"\5"),
        Structure("an entry behind the end", end + 32, 32, b"\xee"),
        Structure("the root's first cluster", place(root), cluster, b"\0" * 32),
        Structure("a folder's cluster", place(inside), cluster, b"\0" * 32),
        Structure("a file's contents", place(first), 512, b"W"),
    ]


@contextmanager
def mounted(image: Path, place: Path) -> Iterator[Path]:
    """Mount an image by exfat-fuse, which wants a block device; at the end it is written.

    Raises:
        CalledProcessError: the driver refuses it.
    """
    place.mkdir(exist_ok=True)
    losetup = ["losetup", "-f", "--show", str(image)]
    done = subprocess.run(losetup, check=True, capture_output=True, text=True)
    device = done.stdout.strip()
    try:
        _run("mount.exfat-fuse", device, place)
        try:
            yield place
        finally:
            _run("umount", place)
            _released(device)
    finally:
        _run("losetup", "-d", device)


def _run(*command: str | Path) -> None:
    subprocess.run(command, check=True, capture_output=True, timeout=PATIENCE_SECONDS)


def _released(device: str) -> None:
    """Wait until the driver, which goes on behind a mount's end, has let go of a device."""
    until = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < until:
        with suppress(OSError):
            os.close(os.open(device, os.O_RDONLY | os.O_EXCL))
            return
        time.sleep(0.005)


def _checked(image: Path) -> str | None:
    """Return the first harm that fsck.exfat tells, if it tells any."""
    try:
        done = subprocess.run(
            ["fsck.exfat", "-n", image],
            capture_output=True,
            timeout=PATIENCE_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return "fsck.exfat: no end"
    text = done.stdout.decode(errors="replace") + done.stderr.decode(errors="replace")
    lines = [line for line in text.splitlines() if not line.startswith(("exfatprogs", *_HARMLESS))]
    if done.returncode and not all(": clean." in line for line in lines):
        return f"fsck.exfat: {' '.join(lines[:2])}"
    return None


def _first(mount: Path) -> None:
    for folder in ("some", "many", "many/inner", "many/ein Ördner mit längerem Namen"):
        (mount / folder).mkdir()
    for number in range(30):
        text = f"number {number}".encode() * (number * 9)
        (mount / "many" / f"a file with a long name {number:02}").write_bytes(text)
    for number in range(5):
        (mount / "some" / f"longer {number}").write_bytes(bytes([number + 1]) * 9_000)
    (mount / "empty").write_bytes(b"")
    (mount / "多言語の名前 Ω.txt").write_bytes("Ω".encode() * 700)


def _then(mount: Path) -> None:
    for number in range(0, 30, 3):
        (mount / "many" / f"a file with a long name {number:02}").unlink()
    (mount / "some" / "longer 2").write_bytes(b"changed" * 3_000)
    (mount / "many" / "inner" / "deep").write_bytes(b"deep" * 2_000)
    (mount / ("n" * 200)).write_bytes(b"name" * 20)
    with (mount / "one").open("wb") as one, (mount / "two").open("wb") as two:
        for _ in range(12):
            for file in (one, two):
                file.write(b"f" * 4_096)
                file.flush()


def _row(path: Path) -> tuple[str, int, str]:
    told = path.lstat()
    if stat.S_ISDIR(told.st_mode):
        return "folder", 0, ""
    with path.open("rb") as file:
        return "file", told.st_size, sha256(file.read(1 << 26)).hexdigest()


def _fill(mount: Path) -> None:
    """Fill the free space."""
    with suppress(OSError), (mount / "filler").open("wb", buffering=0) as file:
        for _ in range(1 << 8):
            file.write(b"#" * (1 << 14))
    with suppress(OSError):
        for number in range(8):
            (mount / f"new {number}").write_bytes(b"")


FAMILY = Exfat()
