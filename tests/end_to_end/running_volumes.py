"""A mounted filesystem that is written to and copied by its used blocks, under a clock of its own.

NTFS by ntfs-3g, whose daemon takes its time from libfaketime; ext4 by the kernel, whose times are
moved afterwards, in every image alike, from the seconds that the test took to the days it plays.
What a block holds, and which are used, is read here from the bare structures (libfsntfs, "NTFS
format"; Documentation/filesystems/ext4); no code under test takes part.
"""

from __future__ import annotations

import mmap
import os
import random
import struct
import subprocess
import time
from abc import ABC, abstractmethod
from bisect import bisect_right
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from tests.support.images import run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FAKETIME = "/usr/lib/*/faketime/libfaketimeMT.so.1"
VOLUME_BYTES = 96 << 20
SLICES = 24
"""A torn copy is made in so many parts, between which the system writes."""

_COMMIT = struct.pack(">II", 0xC03B3998, 2)

_COARSE_CLOCK_SECONDS = 0.012
"""The kernel takes file times from its last tick, of 4 or 10 milliseconds."""


@dataclass
class Running(ABC):
    """One volume, mounted; `dice` draws what is written.

    `steps`: every name that was written, deleted or renamed, in order of time.
    """

    image: Path
    root: Path
    dice: random.Random
    now: int = 0
    steps: list[str] = field(default_factory=list)

    @abstractmethod
    def start(self) -> None:
        """Make the volume and mount it."""

    @abstractmethod
    def at(self, seconds: int) -> None:
        """Set the clock, in seconds since 1970 UTC."""

    @abstractmethod
    def used(self, file: int) -> Iterator[tuple[int, int]]:
        """Yield the used blocks of a volume: where, and how many bytes."""

    @abstractmethod
    def frozen(self, target: Path) -> None:
        """Copy the volume while nothing is written."""

    @abstractmethod
    def device(self) -> Path:
        """Return what is to be read to see the volume as it is now."""

    @abstractmethod
    def finish(self, image: Path, written: int) -> None:
        """Do what is left to do to an image, of the volume or a copy, last written at a time."""

    def stop(self) -> None:
        """Unmount it."""
        run("umount", self.root)

    def torn(self, target: Path, between: Callable[[], None]) -> None:
        """Copy the volume part by part, while something is written between any two."""
        self.sync()
        with self.device().open("rb", buffering=0) as file:
            pieces = list(self.used(file.fileno()))
        many = len(pieces) // SLICES + 1
        _hole(target)
        for first in range(0, len(pieces), many):
            self.copy(pieces[first : first + many], target)
            between()
            self.sync()

    def sync(self) -> None:
        """Let what was written reach the device."""
        run("sync", "-f", self.root)

    def copy(self, pieces: list[tuple[int, int]], target: Path) -> None:
        """Copy some blocks as they are now."""
        with self.device().open("rb", buffering=0) as old, target.open("r+b", buffering=0) as new:
            for at, length in pieces:
                os.pwrite(new.fileno(), os.pread(old.fileno(), length, at), at)

    # --- what is done to files ---

    def place(self, path: str) -> Path:
        """Return where a path of the volume is mounted."""
        return self.root / path.lstrip("/")

    def write(self, path: str, data: bytes) -> None:
        """Write a file anew."""
        place = self.place(path)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
        self.steps.append(path)

    def write_inside(self, path: str, at: int, data: bytes) -> None:
        """Write into a file that keeps its length."""
        file = os.open(self.place(path), os.O_WRONLY)
        try:
            os.pwrite(file, data, at)
        finally:
            os.close(file)
        self.steps.append(path)

    def delete(self, path: str) -> None:
        """Delete a file."""
        self.place(path).unlink()
        self.steps.append(path)

    def rename(self, path: str, other: str) -> None:
        """Rename or move a file."""
        place = self.place(other)
        place.parent.mkdir(parents=True, exist_ok=True)
        self.place(path).rename(place)
        self.steps += [path, other]


class Ntfs(Running):
    """A volume of Windows, by ntfs-3g."""

    def start(self) -> None:
        """Make it with clusters of 4 KiB."""
        _hole(self.image)
        run("mkntfs", "-q", "-F", "-f", "-c", "4096", self.image)
        self.mount(self.image)

    def mount(self, image: Path) -> None:
        """Mount an image under this clock."""
        library = next(Path("/").glob(FAKETIME.lstrip("/")))
        environment = {
            **os.environ,
            "LD_PRELOAD": str(library),
            "FAKETIME_TIMESTAMP_FILE": str(self._clock),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "TZ": "UTC",
        }
        self.at(self.now)
        command = ["ntfs-3g", str(image), str(self.root)]
        subprocess.run(command, check=True, env=environment, capture_output=True)

    @property
    def _clock(self) -> Path:
        return self.image.with_suffix(".clock")

    def at(self, seconds: int) -> None:
        """Write the time where libfaketime looks for it at each question."""
        self.now = seconds
        self._clock.write_text(f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d %H:%M:%S}\n")

    def device(self) -> Path:
        """Return the image: ntfs-3g keeps nothing back but what is open."""
        return self.image

    def frozen(self, target: Path) -> None:
        """Copy the used clusters in one go."""
        self.sync()
        _hole(target)
        with self.image.open("rb", buffering=0) as file:
            self.copy(list(self.used(file.fileno())), target)

    def finish(self, image: Path, written: int) -> None:
        """Leave it: its times are those played."""

    def used(self, file: int) -> Iterator[tuple[int, int]]:
        """Read $Bitmap by the first of its data runs, which has it all on a volume made anew."""
        boot = os.pread(file, 512, 0)
        cluster = struct.unpack_from("<H", boot, 11)[0] * boot[13]
        (table,) = struct.unpack_from("<Q", boot, 48)
        record = os.pread(file, 1024, table * cluster + 6 * 1024)
        at = struct.unpack_from("<H", record, 20)[0]
        while struct.unpack_from("<I", record, at)[0] != 0x80:
            at += struct.unpack_from("<I", record, at + 4)[0]
        runs = at + struct.unpack_from("<H", record, at + 32)[0]
        (size,) = struct.unpack_from("<Q", record, at + 48)
        lengths, offsets = record[runs] & 15, record[runs] >> 4
        start = record[runs + 1 + lengths : runs + 1 + lengths + offsets]
        bitmap = os.pread(file, size, int.from_bytes(start, "little") * cluster)
        yield from _used(bitmap, 0, cluster)
        yield VOLUME_BYTES - 512, 512  # the backup of the boot sector


class Ext4(Running):
    """A volume of Linux, by the kernel."""

    def start(self) -> None:
        """Make it without checksums, so that its times can be moved."""
        self.knots: list[tuple[int, int]] = []
        _hole(self.image)
        options = ("-O", "^metadata_csum,^64bit", "-I", "256", "-N", "24000", "-J", "size=4")
        run("mkfs.ext4", "-q", "-F", "-b", "4096", *options, self.image)
        run("mount", "-o", "loop,noatime", self.image, self.root)
        self.at(self.now)

    def at(self, seconds: int) -> None:
        """Note which time of the real clock stands for which one played."""
        self.now = seconds
        self.knots.append((time.time_ns(), seconds * 10**9))
        time.sleep(_COARSE_CLOCK_SECONDS)

    def device(self) -> Path:
        """Return the loop device, through which the kernel shows what it has not written yet."""
        answer = run("losetup", "-n", "-O", "NAME", "-j", self.image)
        return Path(answer.split()[0])

    def frozen(self, target: Path) -> None:
        """Have the kernel hold the volume still."""
        self.sync()
        run("fsfreeze", "-f", self.root)
        try:
            _hole(target)
            with self.device().open("rb", buffering=0) as file:
                self.copy(list(self.used(file.fileno())), target)
        finally:
            run("fsfreeze", "-u", self.root)

    def sync(self) -> None:
        """Also let go of what the device remembers of files: the kernel writes them past it."""
        super().sync()
        run("blockdev", "--flushbufs", self.device())

    def used(self, file: int) -> Iterator[tuple[int, int]]:
        """Read the bitmap of each group; a group that has none yet is read whole."""
        head, groups = _ext_groups(file)
        for number, group in enumerate(groups):
            bitmap, flags = struct.unpack_from("<I", group)[0], group[18]
            whole = b"\xff" * 4096 if flags & 2 else os.pread(file, 4096, bitmap * 4096)
            count = min(32768, head - number * 32768)
            yield from _used(whole[: count // 8], number * 32768, 4096)

    def finish(self, image: Path, written: int) -> None:
        """Move the times of every inode, the superblock and the journal to those played."""
        with image.open("r+b") as file:
            _, groups = _ext_groups(file.fileno())
            head = bytearray(os.pread(file.fileno(), 1024, 1024))
            (count,) = struct.unpack_from("<I", head, 40)
            begun = self.knots[0][1] // 10**9
            # s_mtime, s_wtime, s_lastcheck, s_mkfs_time: seconds, too coarse to be moved
            for at, seconds in ((44, begun), (48, written), (64, begun), (264, begun)):
                struct.pack_into("<I", head, at, seconds)
            os.pwrite(file.fileno(), head, 1024)
            for group in groups:
                (table,) = struct.unpack_from("<I", group, 8)
                inodes = bytearray(os.pread(file.fileno(), count * 256, table * 4096))
                for start in range(0, len(inodes), 256):
                    if inodes[start + 12 : start + 16] != b"\0\0\0\0":
                        self._move(inodes, start)
                os.pwrite(file.fileno(), inodes, table * 4096)
            with mmap.mmap(file.fileno(), 0) as whole:
                self._move_commits(whole)

    def _move_commits(self, image: mmap.mmap) -> None:
        """Move the times of the journal's commit blocks (ext4/journal.rst)."""
        at = image.find(_COMMIT)
        while at >= 0:
            if at % 4096 == 0:
                seconds, rest = struct.unpack_from(">QI", image, at + 48)
                moved = self.played(seconds * 10**9 + rest)
                struct.pack_into(">QI", image, at + 48, moved // 10**9, moved % 10**9)
            at = image.find(_COMMIT, at + 4)

    def _move(self, inodes: bytearray, start: int) -> None:
        # atime, ctime, mtime, crtime, each with its extra field
        for at, extra in ((8, 140), (12, 132), (16, 136), (144, 148)):
            (seconds,) = struct.unpack_from("<I", inodes, start + at)
            (more,) = struct.unpack_from("<I", inodes, start + extra)
            moved = self.played(seconds * 10**9 + (more >> 2))
            struct.pack_into("<I", inodes, start + at, moved // 10**9)
            struct.pack_into("<I", inodes, start + extra, (moved % 10**9) << 2)

    def played(self, real: int) -> int:
        """Return the time played at a time of the real clock; one set by hand stays."""
        if real < self.knots[0][0] - 10**10:
            return real
        knot = self.knots[max(0, bisect_right(self.knots, (real, 1 << 63)) - 1)]
        return knot[1] + max(0, real - knot[0]) // 1000


def _ext_groups(file: int) -> tuple[int, list[bytes]]:
    """Return how many blocks there are, and the group descriptors of 32 bytes (blocks of 4 KiB)."""
    blocks = struct.unpack_from("<I", os.pread(file, 1024, 1024), 4)[0]
    count = (blocks + 32767) // 32768
    table = os.pread(file, 32 * count, 4096)
    return blocks, [table[at : at + 32] for at in range(0, len(table), 32)]


def _used(bitmap: bytes, first: int, block: int) -> Iterator[tuple[int, int]]:
    """Yield runs of used blocks, none longer than 1 MiB."""
    bits = "".join(f"{byte:08b}"[::-1] for byte in bitmap)
    edges = [at + 1 for at, (one, two) in enumerate(pairwise(bits)) if one != two]
    for start, end in pairwise([0, *edges, len(bits)]):
        if bits[start] == "1":
            for at in range(start, end, 256):
                yield (first + at) * block, min(256, end - at) * block


def _hole(image: Path) -> None:
    image.write_bytes(b"")
    os.truncate(image, VOLUME_BYTES)
