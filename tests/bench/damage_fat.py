"""FAT12, FAT16 and FAT32 for the campaign of random damage: by mkfs.fat and mtools.

The oracles are mtools, which lists and reads a copy, fills it, and lists and reads it again, and
fsck.fat. What fsck.fat alone finds is harm too, but for what costs nothing (`_HARMLESS`).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.damage_table import Structure
from verify.filesystem.fat.describe import Geometry, geometry
from verify.structs.fat import BOOT_SECTOR, EXTENDED_32

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.bench.damage import Listing, Target

PATIENCE_SECONDS = 10
_DEEPEST, _MOST_BYTES = 8, 1 << 26

_VOLUMES = (
    ("fat12", "1M", ("-F12", "-s1")),
    ("fat16", "2560K", ("-F16", "-s1")),
    ("fat32", "34M", ("-F32", "-s1")),
    ("fat12", "2M", ("-F12", "-s4", "-f1")),
    ("fat32", "34M", ("-F32", "-s1", "-f1", "-R12")),
)

_HARMLESS = re.compile(
    r"^fsck\.fat |\d+ files, |^Checking |^Leaving filesystem unchanged|^ *Automatically |^ *Auto-"
    r"|^ *Not automatically|^\*+ Filesystem|^Reclaimed |^Free cluster summary|^Dirty bit is set"
    r"|^There are differences between boot|^This is mostly harmless|^ *\d+:..?/"
    r"|^ and some data may be corrupt|[Ll]abel|Is a dot with no 8.3"
    r"|stored in (boot sector|root directory)"
)
"""Clusters without an owner, a count, the dirty mark, the copy of the boot sector (a rule of its
own judges it), labels, a reserved byte of `.`; and what is said to every volume."""


class Fat:
    """The family."""

    def volumes(self, folder: Path) -> list[tuple[str, bytes, bytes]]:
        """Return a volume of each kind, one with a single FAT, and each some files before."""
        found = []
        for kind, size, options in _VOLUMES:
            image = folder / "made.img"
            image.unlink(missing_ok=True)
            _run("truncate", "-s", size, image)
            _run("mkfs.fat", "-n", "WORK", *options, image)
            cluster = _sizes(image.read_bytes()).cluster_bytes
            _first(image, folder / "files", cluster)
            older = image.read_bytes()
            _then(image, folder / "files", cluster)
            found.append((kind, older, image.read_bytes()))
        return found

    def targets(self, volume: bytes) -> list[Target]:
        """Return boot sectors, FATs as far as they are in use, and every folder."""
        sizes = _sizes(volume)
        found: list[Target] = [("boot sector", 0, 90)] * 4
        used = min(sizes.fat_bytes, (300 + 2) * sizes.bits // 8)
        fats = volume[16]
        for number in range(fats):
            at = sizes.first_fat_offset + number * sizes.fat_bytes
            found += [(f"FAT {number + 1}", at, used)] * (12 if number == 0 else 2)
            found += [(f"first entries of FAT {number + 1}", at, 3 * sizes.bits // 8)]
        if sizes.bits == 32:
            found += [("FSInfo", sizes.sector_bytes, 512), ("copy", 6 * sizes.sector_bytes, 90)]
        for at, length in _folders(volume, sizes):
            found += [(f"folder at {at}", at, length)] * 3
        return found

    def table_volumes(self, folder: Path) -> Iterator[tuple[str, bytes, bytes, list[Structure]]]:
        """Yield a FAT16 volume with its structures, and a FAT32 volume with what it alone has."""
        for kind, older, data in self.volumes(folder)[1:3]:
            yield kind, older, data, _structures(data) if kind == "fat16" else _structures_32(data)

    def oracle(self, volume: bytes, folder: Path) -> tuple[str | None, Listing]:
        """List and read a copy by mtools and check it; fill it, and list and read it again."""
        image = folder / "case.img"
        image.write_bytes(volume)
        told = _checked(image)
        refused, listing = _listing(image, folder / "out")
        if refused:
            return refused, {}
        filler = folder / "filler"
        sizes = geometry(BOOT_SECTOR.parse(volume), EXTENDED_32.parse(volume))
        room = min(sizes.size_bytes, 1 << 22) if sizes else 1 << 20
        filler.write_bytes(b"#" * room)
        for part in range(3, -1, -1):  # what does not fit is not written at all
            os.truncate(filler, room >> 2 * (3 - part))
            _mtools("mcopy", "-n", "-i", image, filler, f"::/fill{part}")
        _, after = _listing(image, folder / "out")
        changed = [path for path, row in listing.items() if after.get(path) != row]
        if changed:
            return f"filling the volume changes {sorted(changed)[:3]}", listing
        return told, listing


def _structures(volume: bytes) -> list[Structure]:
    sizes = _sizes(volume)
    fat, width = sizes.first_fat_offset, sizes.bits // 8
    entries = [
        (entry, volume[entry : entry + 32])
        for at, length in _folders(volume, sizes)
        for entry in range(at, at + length, 32)
    ]
    longer = next(at for at, raw in entries if raw.startswith(b"LONGER4 BIN"))
    some = next(at for at, raw in entries if raw.startswith(b"SOME   "))
    dot = next(at for at, raw in entries if raw.startswith(b".       "))
    named = next(at for at, raw in entries if raw[0] == 0x43 and raw[11] == 0x0F)
    end = next(
        at
        for (at, raw), (_, before) in zip(entries[1:], entries, strict=False)
        if not raw[0] and before[0]
    )
    first = int.from_bytes(volume[longer + 26 : longer + 28], "little")
    free = sizes.clusters - 50
    contents = sizes.data_offset + (first - 2) * sizes.cluster_bytes
    return [
        Structure("BPB_BytsPerSec", 11, 2, b"\0\4"),
        Structure("BPB_SecPerClus", 13, 1, b"\2"),
        Structure("BPB_RsvdSecCnt", 14, 2, b"\2\0"),
        Structure("BPB_NumFATs", 16, 1, b"\1"),
        Structure("BPB_RootEntCnt", 17, 2, b"\0\1"),
        Structure("BPB_TotSec16", 19, 2, b"\xff\x13"),
        Structure("BPB_Media", 21, 1, b"\xf9"),
        Structure("BPB_FATSz16", 22, 2, b"\x13\0"),
        Structure("boot signature", 510, 2, b"\x55\xab"),
        Structure("boot code", 62, 64, b"\xeb\xfe"),
        Structure("FAT[0]", fat, 2, b"\xf9\xff"),
        Structure("FAT[1]", fat + 2, 2, b"\3\0"),
        Structure("FAT, a file's first cluster", fat + first * width, 2, b"\3\0"),
        Structure("FAT, a file's last cluster", fat + (first + 2) * width, 2, b"\3\0"),
        Structure("FAT, a free cluster", fat + free * width, 2, b"\xff\xff"),
        Structure("FAT, a sector", fat, 512, b"\xf8\xff\xff\xff" + b"\xff" * 64),
        Structure("second FAT", fat + sizes.fat_bytes, 512, b"\xf9"),
        Structure("DIR_Name", longer, 11, b"LONGER1"),
        Structure("DIR_Attr", longer + 11, 1, b"\x08"),
        Structure("DIR_FstClusLO", longer + 26, 2, b"\x40\0"),
        Structure("DIR_FstClusHI", longer + 20, 2, b"\x7e\x5d"),
        Structure("DIR_FileSize", longer + 28, 4, b"\0\x10\0\0"),
        Structure("a folder's DIR_Attr", some + 11, 1, b"\x20"),
        Structure("a folder's DIR_FstClusLO", some + 26, 2, b"\x40\0"),
        Structure("LDIR_Ord", named, 1, b"\x42"),
        Structure("LDIR_Attr", named + 11, 1, b"\x0e"),
        Structure("LDIR_Chksum", named + 13, 1, b"\x77"),
        Structure("a character of a long name", named + 1, 1, b"X"),
        Structure("the entry .", dot, 32, b"X"),
        Structure("cluster of ..", dot + 32 + 26, 2, b"\x40\0"),
        Structure("a folder's end", end, 32, b"GARBAGE BIN\x20" + bytes(12) + b"\x7e\x5d"),
        Structure("an entry of a folder", longer, 32, b"\xe5"),
        Structure("a folder's cluster", dot, 512, b"\0" * 64),
        Structure("a file's contents", contents, 512, b"W"),
    ]


def _structures_32(volume: bytes) -> list[Structure]:
    info = _sizes(volume).sector_bytes
    return [
        Structure("BPB_FATSz32", 36, 4, b"\x10\2"),
        Structure("BPB_ExtFlags", 40, 2, b"\x81"),
        Structure("BPB_FSVer", 42, 2, b"\1"),
        Structure("BPB_RootClus", 44, 4, b"\5\0"),
        Structure("BPB_FSInfo", 48, 2, b"\7\0"),
        Structure("BPB_BkBootSec", 50, 2, b"\7\0"),
        Structure("FSInfo, signature", info, 4, b"RRaB"),
        Structure("FSInfo, free count", info + 488, 4, b"\x99\0\0\0"),
        Structure("FSInfo, next free", info + 492, 4, b"\x99\0\0\0"),
        Structure("the backup boot sector", 6 * info, 512, b"\xeb\x00"),
    ]


def _folders(volume: bytes, sizes: Geometry) -> list[tuple[int, int]]:
    """Return where the folders of a whole volume lie, cluster by cluster."""
    waiting, found = [(sizes.root_offset, 20 * 32)], []
    if sizes.bits == 32:
        waiting = _chain(volume, sizes, int.from_bytes(volume[44:48], "little"))
    while waiting:
        at, length = waiting.pop()
        found.append((at, length))
        for entry in range(at, at + length, 32):
            raw = volume[entry : entry + 32]
            if raw[0] not in {0, 0xE5, ord(".")} and raw[11] & 0x18 == 0x10:
                first = raw[26:28] + (raw[20:22] if sizes.bits == 32 else b"")
                waiting += _chain(volume, sizes, int.from_bytes(first, "little"))
    return found


def _checked(image: Path) -> str | None:
    """Return the first harm that fsck.fat tells, if it tells any."""
    try:
        done = subprocess.run(
            ["fsck.fat", "-n", "-v", image],
            capture_output=True,
            timeout=PATIENCE_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return "fsck.fat: no end"
    text = done.stdout.decode(errors="replace") + done.stderr.decode(errors="replace")
    body = text.partition("sectors total")[2] or text
    lines = [line for line in body.splitlines() if line.strip() and not _HARMLESS.search(line)]
    # A line with a path alone says of what the next one speaks.
    if all(line.startswith("/") for line in lines):
        return None
    return f"fsck.fat: {' '.join(lines[:3])}"


def _listing(image: Path, out: Path) -> tuple[str | None, Listing]:
    """Return what mtools reads: by path its kind, size and digest."""
    _run("rm", "-rf", out)  # a folder in itself is copied as deep as a path may be long
    out.mkdir()
    try:
        done = _mtools("mcopy", "-s", "-n", "-Q", "-i", image, "::*", out)
    except subprocess.TimeoutExpired:
        return "mcopy: no end", {}
    # Where two names are the same for mtools, or one is invalid, it says so and copies one.
    words = done.stderr.decode(errors="replace").strip().splitlines()
    found: Listing = {"said": ("words", len(words), "; ".join(words)[:200])} if words else {}
    for at, folders, names in os.walk(os.fsencode(out)):
        if at.count(b"/") - os.fsencode(out).count(b"/") > _DEEPEST:
            folders.clear()
        for name in names + folders:
            path = Path(os.fsdecode(at + b"/" + name))
            row = "folder", 0, ""
            if name in names:
                with path.open("rb") as file:
                    contents = file.read(_MOST_BYTES)
                row = "file", path.stat().st_size, sha256(contents).hexdigest()
            found[os.fsencode(path.relative_to(out)).decode("latin-1")] = row
    return (f"mcopy: {words[-1]}" if words and len(found) == 1 else None), found


def _mtools(*command: str | Path) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=PATIENCE_SECONDS,
        check=False,
        env={**os.environ, "LC_ALL": "C.UTF-8", "MTOOLS_SKIP_CHECK": "1"},
    )


def _first(image: Path, files: Path, cluster: int) -> None:
    shutil.rmtree(files, ignore_errors=True)
    files.mkdir()
    _run("mmd", "-i", image, "::/some", "::/many", "::/many/inner folder")
    names = [f"a file with a long name {number:02}.text" for number in range(24)]
    for number, name in enumerate(names):
        (files / name).write_bytes(f"number {number}".encode() * (number * cluster // 30))
    _copy(image, [files / name for name in names], "::/many/")
    for number in range(5):
        (files / f"LONGER{number}.BIN").write_bytes(bytes([number + 1]) * (5 * cluster // 2))
    _copy(image, [files / f"LONGER{number}.BIN" for number in range(5)], "::/some/")
    (files / "EMPTY").write_bytes(b"")
    (files / "ReadMe.first").write_bytes(b"read me")
    _copy(image, [files / "EMPTY", files / "ReadMe.first"], "::/")


def _then(image: Path, files: Path, cluster: int) -> None:
    gone = [f"::/many/a file with a long name {number:02}.text" for number in range(0, 24, 3)]
    _run("mdel", "-i", image, *gone)
    (files / "in pieces.bin").write_bytes(b"pieces" * (3 * cluster))
    (files / "LONGER2.BIN").write_bytes(b"changed" * cluster)
    (files / "deep.txt").write_bytes(b"deep" * cluster)
    _copy(image, [files / "in pieces.bin"], "::/")
    _copy(image, [files / "LONGER2.BIN"], "::/some/")
    _copy(image, [files / "deep.txt"], "::/many/inner folder/")
    _run("mattrib", "-i", image, "+r", "+h", "::/ReadMe.first")


def _copy(image: Path, files: list[Path], to: str) -> None:
    _run("mcopy", "-o", "-i", image, *files, to)


def _run(*command: str | Path) -> None:
    subprocess.run(command, check=True, capture_output=True)


def _sizes(volume: bytes) -> Geometry:
    sizes = geometry(BOOT_SECTOR.parse(volume), EXTENDED_32.parse(volume))
    assert sizes is not None
    return sizes


def _chain(volume: bytes, sizes: Geometry, cluster: int) -> list[tuple[int, int]]:
    """Return the clusters of a chain of a whole volume, each as offset and length."""
    found = []
    while 2 <= cluster < sizes.clusters + 2:
        at = sizes.data_offset + (cluster - 2) * sizes.cluster_bytes
        found.append((at, sizes.cluster_bytes))
        entry = sizes.first_fat_offset + cluster * sizes.bits // 8
        value = int.from_bytes(volume[entry : entry + 4], "little")
        if sizes.bits == 12:
            value >>= 4 * (cluster % 2)
        cluster = value & (1 << min(sizes.bits, 28)) - 1
    return found


FAMILY = Fat()
