"""The bytes of an NTFS volume by their names, for tests that damage it.

Offsets are those of libfsntfs, NTFS format; nothing of the code under test is used.
"""

from __future__ import annotations

import os
import struct
import subprocess
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

STRIDE = 512
DATA, ROOT, BLOCKS, BITMAP = 0x80, 0x90, 0xA0, 0xB0


@dataclass
class VolumeBytes:
    """A volume to be damaged: `data` as it is stored, `read` with all fix-ups undone."""

    data: bytearray
    read: bytes = field(init=False)

    def __post_init__(self) -> None:
        """Undo the fix-ups of every record and block."""
        read = bytearray(self.data)
        for at in range(0, len(read), STRIDE):
            if bytes(read[at : at + 4]) in {b"FILE", b"INDX"}:
                kept, count = struct.unpack_from("<HH", read, at + 4)
                for stride in range(1, min(count, 129)):
                    end = at + stride * STRIDE
                    if read[end - 2 : end] == read[at + kept : at + kept + 2]:
                        word = at + kept + 2 * stride
                        read[end - 2 : end] = read[word : word + 2]
        self.read = bytes(read)

    def number(self, at: int, code: str) -> int:
        """Return the number at a byte of the volume as it was."""
        value: int = struct.unpack_from("<" + code, self.read, at)[0]
        return value

    def put(self, at: int, value: bytes) -> None:
        """Write bytes."""
        self.data[at : at + len(value)] = value

    def put_number(self, at: int, code: str, value: int) -> None:
        """Write a number, a torn stride or not: no number written here ends a stride."""
        self.put(at, struct.pack("<" + code, value))

    def flip(self, at: int, bit: int = 0) -> None:
        """Flip one bit."""
        self.data[at] ^= 1 << bit

    @property
    def cluster(self) -> int:
        """Bytes of a cluster."""
        return self.number(11, "H") * self.read[13]

    @property
    def mirror(self) -> int:
        """Where $MFTMirr begins."""
        return self.number(56, "Q") * self.cluster

    def record(self, number: int) -> int:
        """Return where a record begins."""
        position = number * 1024
        for count, start in self.runs(self.attribute(self.number(48, "Q") * self.cluster, DATA)):
            if position < count * self.cluster:
                return start * self.cluster + position
            position -= count * self.cluster
        raise KeyError(number)

    def attribute(self, record: int, kind: int, name: str | None = None) -> int:
        """Return where an attribute begins in the record that begins at a byte."""
        at = record + self.number(record + 20, "H")
        while self.number(at, "I") != 0xFFFFFFFF:
            letters, name_at = self.read[at + 9], at + self.number(at + 10, "H")
            own = self.read[name_at : name_at + 2 * letters].decode("utf-16-le")
            if self.number(at, "I") == kind and name in {None, own}:
                return at
            at += self.number(at + 4, "I")
        raise KeyError(kind)

    def value(self, attribute: int) -> int:
        """Return where a value that stands in its record begins."""
        return attribute + self.number(attribute + 20, "H")

    def runs(self, attribute: int) -> list[tuple[int, int]]:
        """Return (clusters, first cluster) of an attribute's runs."""
        at, cluster, found = attribute + self.number(attribute + 32, "H"), 0, []
        while self.read[at]:
            low, high = self.read[at] & 15, self.read[at] >> 4
            count = int.from_bytes(self.read[at + 1 : at + 1 + low], "little")
            step = self.read[at + 1 + low : at + 1 + low + high]
            cluster += int.from_bytes(step, "little", signed=True)
            found.append((count, cluster))
            at += 1 + low + high
        return found

    def place(self, attribute: int, position: int = 0) -> int:
        """Return where a byte of a value outside its record lies."""
        for count, start in self.runs(attribute):
            if position < count * self.cluster:
                return start * self.cluster + position
            position -= count * self.cluster
        raise KeyError(position)

    def system(self, number: int, name: str = "", position: int = 0) -> int:
        """Return where a byte of a system file's stream lies."""
        return self.place(self.attribute(self.record(number), DATA, name), position)

    def find(self, name: str) -> int:
        """Return the number of the record whose first $FILE_NAME is that name."""
        for number in range(self.number_of_records()):
            record = self.record(number)
            if self.read[record : record + 4] != b"FILE" or not self.read[record + 22] & 1:
                continue
            try:
                value = self.value(self.attribute(record, 0x30))
            except KeyError:
                continue
            text = self.read[value + 66 : value + 66 + 2 * self.read[value + 64]]
            if text.decode("utf-16-le") == name:
                return self.number(record + 32, "I") or number
        raise KeyError(name)

    def number_of_records(self) -> int:
        """Return how many records the MFT has room for."""
        mft = self.attribute(self.record(0), DATA)
        return self.number(mft + 48, "Q") // 1024


def made(path: Path, size_mib: int, *options: str) -> Path:
    """Make a volume by mkntfs."""
    path.write_bytes(b"")
    os.truncate(path, size_mib << 20)
    subprocess.run(["mkntfs", "-q", "-F", "-Q", *options, path], check=True, capture_output=True)
    return path


def mounted(path: Path, use: Callable[[Path], None], *options: str) -> None:
    """Mount a volume by ntfs-3g, use it, and unmount it."""
    mount = path.with_suffix(".mount")
    mount.mkdir(exist_ok=True)
    command = [
        "ntfs-3g",
        "-o",
        ",".join(("streams_interface=xattr", *options)),
        str(path),
        str(mount),
    ]
    subprocess.run(command, check=True, capture_output=True)
    try:
        use(mount)
    finally:
        subprocess.run(["umount", mount], check=True)


def fill(mount: Path) -> None:
    """Write files of all sorts: small, fragmented, sparse, compressed, linked, with streams."""
    few = os.statvfs(mount).f_frsize > 1 << 16
    packed = mount / "packed"
    packed.mkdir()
    os.setxattr(packed, "system.ntfs_attrib", struct.pack("<I", 0x810))
    (packed / "text").write_bytes(b"hello " * 60_000)
    for folder in range(4):
        inner = mount / f"folder {folder}" / "Ünter"
        inner.mkdir(parents=True)
        for number in range(20 + (2 if few else 80) * folder):
            data = bytes([number & 255]) * (0, 100, 900, 5_000, 20_000)[number % 5]
            (inner / f"{'long name ' * (number % 4)}{number:03}").write_bytes(data)
    os.link(packed / "text", mount / "another name")
    for number in range(60):
        os.setxattr(packed / "text", f"user.stream {number}", b"v" * 50)
    with (mount / "sparse").open("wb") as file:
        file.seek(2 << 20)
        file.write(b"z" * 30_000)
    with (mount / "one").open("wb") as one, (mount / "two").open("wb") as two:
        for _ in range(200):
            for file in (one, two):
                file.write(b"f" * 4_096)
                file.flush()
    for path in sorted((mount / "folder 3" / "Ünter").iterdir())[:100]:
        path.unlink()
    (mount / "link").symlink_to("folder 1")
