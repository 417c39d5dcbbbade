"""Examinations of exFAT: nothing on good volumes, and what fsck.exfat finds on damaged ones."""

from __future__ import annotations

import random
import struct
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.bench.damage_exfat import mounted
from tests.filesystem.examined import effects, examined, quiet
from tests.filesystem.made import make, patch, run
from verify.filesystem.exfat import examine_folders
from verify.filesystem.exfat.plain_folders import PlainFolder, plain_folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

pytestmark = pytest.mark.tools("mkfs.exfat", "fsck.exfat")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A volume of exfatprogs with two files, of 3 clusters and 1, their entry sets made by hand.

    Sections 6.3, 7.4, 7.6 and 7.7 of Microsoft's specification; fsck.exfat finds it clean.
    """
    image = make(tmp_path_factory.mktemp("exfat"), "64M", "mkfs.exfat", "-c", "4K")
    volume = Volume(image)
    volume.add("Réport.txt", clusters=3)
    volume.add("Zweites.txt", clusters=1)
    assert volume.accepted()
    return image


class Volume:
    """Just enough of a small exFAT volume to place a file in it, and to damage it."""

    def __init__(self, image: Path) -> None:
        """Read the boot sector, and find the root's entries."""
        self.image = image
        data = image.read_bytes()
        fields: tuple[int, ...] = struct.unpack_from("<5I", data, 80)
        self.fat, _, self.heap, self.count, self.root = fields
        self.root_offset = self.cluster(self.root)
        entries = range(self.root_offset, self.root_offset + 4096, 32)
        self.bitmap = next(at for at in entries if data[at] == 0x81)
        self.table = next(at for at in entries if data[at] == 0x82)
        self.free = next(at for at in entries if data[at] == 0)
        self.set = next((at for at in entries if data[at] == 0x85), self.free)
        bitmap = struct.unpack_from("<I", data, self.bitmap + 20)[0]
        self.bits = self.cluster(bitmap)
        self.first = 10
        self.table_offset = self.cluster(struct.unpack_from("<I", data, self.table + 20)[0])

    def cluster(self, number: int) -> int:
        """Where a cluster begins; sectors are 512 bytes, clusters 4,096."""
        return self.heap * 512 + (number - 2) * 4096

    def add(self, name: str, clusters: int) -> None:
        """Place a file in clusters that follow each other, its chain in the FAT."""
        first = self.root + self.first
        upper = name.upper().encode("utf-16-le")
        units = name.encode("utf-16-le")
        stream = struct.pack(
            "<BBBBH2xQ4xIQ", 0xC0, 0x01, 0, len(name), rotated(upper), clusters * 4096, first,
            clusters * 4096,
        )  # fmt: skip
        named = struct.pack("<BB30s", 0xC1, 0, units)
        stamp = (2026 - 1980) << 25 | 11 << 21 | 30 << 16
        head = struct.pack("<BBHH2xIII12x", 0x85, 2, 0, 0x20, stamp, stamp, stamp)
        entries = head + stream + named
        checksum = rotated(entries[:2] + entries[4:])
        patch(self.image, self.free, entries[:2] + struct.pack("<H", checksum) + entries[4:])
        links = [*range(first + 1, first + clusters), 0xFFFFFFFF]
        patch(self.image, self.fat * 512 + 4 * first, struct.pack(f"<{clusters}I", *links))
        for number in range(first, first + clusters):
            self.mark(number, used=True)
        self.first += clusters
        self.free += len(entries)

    def mark(self, number: int, *, used: bool) -> None:
        """Set or clear the bit of a cluster."""
        at = self.bits + (number - 2) // 8
        byte = self.image.read_bytes()[at]
        bit = 1 << (number - 2) % 8
        patch(self.image, at, bytes([byte | bit if used else byte & ~bit]))

    def set_with(self, at: int, data: bytes) -> bytes:
        """The first set with other bytes at a place, its checksum made to fit."""
        entries = bytearray(self.image.read_bytes()[self.set : self.set + 96])
        entries[at : at + len(data)] = data
        entries[2:4] = struct.pack("<H", rotated(bytes(entries[:2] + entries[4:])))
        return bytes(entries)

    def accepted(self) -> bool:
        """Whether fsck.exfat finds nothing."""
        done = subprocess.run(["fsck.exfat", "-n", self.image], capture_output=True, check=False)
        return done.returncode == 0


def rotated(data: bytes) -> int:
    """The 16-bit checksum of sections 6.3.3 and 7.6.4."""
    total = 0
    for byte in data:
        total = ((total << 15 | total >> 1) & 0xFFFF) + byte & 0xFFFF
    return total


DAMAGES: dict[str, tuple[Callable[[Volume], tuple[int, bytes]], set[str]]] = {
    "boot checksum": (lambda _: (11 * 512, b"\0\0\0\0"), {"refused"}),
    "cluster marked free": (lambda v: (v.bits + (v.root + 11 - 2) // 8, b"\0"), {"overwritten"}),
    "set checksum": (lambda v: (v.set + 2, b"\x12\x34"), {"lost"}),
    "name hash": (lambda v: (v.set, v.set_with(32 + 4, b"\x12\x34")), {"lost"}),
    "one letter of the name": (lambda v: (v.set + 64 + 2, b"X"), {"lost"}),
    "secondary count": (lambda v: (v.set + 1, b"\x05"), {"lost"}),
    "a cluster outside": (
        lambda v: (v.fat * 512 + 4 * (v.root + 11), b"\xf0\xff\xff\x0f"),
        {"lost"},
    ),
    "chain ends early": (lambda v: (v.fat * 512 + 4 * (v.root + 10), b"\xff" * 4), {"lost"}),
    "chain into the root": (
        lambda v: (v.fat * 512 + 4 * (v.root + 12), struct.pack("<I", v.root)),
        {"overwritten"},
    ),
    "no up-case table": (lambda v: (v.table, b"\x02"), {"refused"}),
    "up-case checksum": (lambda v: (v.table + 4, b"\0\0\0\0"), {"refused"}),
    "one letter of the up-case table": (lambda v: (v.table_offset + 200, b"\x77"), {"refused"}),
    "no bitmap": (lambda v: (v.bitmap, b"\x01"), {"refused"}),
    "root folder zeroed": (lambda v: (v.root_offset, bytes(4096)), {"refused"}),
    "an unknown benign entry": (lambda v: (v.free, b"\xa2"), {"repaired"}),
    "an unknown critical entry": (lambda v: (v.free, b"\x87"), {"lost"}),
    "a secondary entry too many": (lambda v: (v.free, b"\xf0"), {"lost"}),
    "a label too long": (lambda v: (v.root_offset, bytes([0x83, 113])), {"refused"}),
    "an entry behind the end": (lambda v: (v.free + 64, b"\xee"), {"repaired"}),
    "an end before the file": (lambda v: (v.set, bytes(32)), {"lost"}),
}

NOT_SEEN_BY_FSCK = {
    "an end before the file",
    "an entry behind the end",
    "an unknown benign entry",
    "an unknown critical entry",
    "a secondary entry too many",
    "a label too long",
}
"""exfatprogs 1.2.0 reads on behind an entry that ends its folder; the specification does not
(6.2.1.1). exfat-fuse 1.3.0 reads on as well, and fails at an entry it does not know.
A label that is too long is named by the one, whose exit is 0; the other refuses the volume, as it
does at an entry in the root that it does not know."""


@pytest.mark.parametrize("cluster", ["512", "4K", "32K", "1M"])
@pytest.mark.parametrize("size", ["8M", "300M"])
def test_examine_when_the_volume_is_fresh_then_nothing_is_found(
    tmp_path: Path, size: str, cluster: str
) -> None:
    """As exfatprogs makes it, from 8 to 600,000 clusters."""
    if (size, cluster) == ("8M", "1M"):
        cluster = "256K"
    assert quiet(make(tmp_path, size, "mkfs.exfat", "-c", cluster))


def test_examine_when_a_file_is_whole_then_nothing_is_found(filled: Path) -> None:
    """The quiet twin of all damages."""
    assert quiet(filled)


@pytest.mark.parametrize("name", DAMAGES)
def test_examine_when_a_structure_is_damaged_then_it_is_found(
    filled: Path, tmp_path: Path, name: str
) -> None:
    """Oracle: fsck.exfat -n of exfatprogs 1.2.0."""
    image = tmp_path / "damaged.img"
    run("cp", "--sparse=always", filled, image)
    volume = Volume(filled)
    damage, expected = DAMAGES[name]
    volume.image = image
    patch(image, *damage(volume))
    assert volume.accepted() == (name in NOT_SEEN_BY_FSCK), name
    found = effects(image)
    assert expected <= found, found


def test_examine_when_a_file_is_hit_then_its_node_is_told(filled: Path, tmp_path: Path) -> None:
    """The node is that of the listing, so that the capture can name the file."""
    image = tmp_path / "damaged.img"
    run("cp", "--sparse=always", filled, image)
    volume = Volume(image)
    volume.mark(volume.root + 11, used=False)
    check = examined(image).allocation
    assert check is not None
    assert [fault.node for fault in check.faults] == [volume.set]


@pytest.mark.tools("mount.exfat-fuse")
@pytest.mark.root
def test_examine_when_folders_are_taken_whole_then_they_are_told_as_set_by_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The quick way tells nothing of its own: the same faults, and as many things compared."""
    image = make(tmp_path, "8M", "mkfs.exfat", "-c", "4K")
    with mounted(image, tmp_path / "mount") as mount:
        for number in range(60):
            name = "ÄÖü多 " * (number % 5) + "x" * number + ".txt"
            (mount / name).write_bytes(b"w" * (number * 1000))
    assert quiet(image)
    data = image.read_bytes()
    sets = [at for at in range(0, len(data), 32) if data[at] == 0x85 and data[at + 32] == 0xC0]
    assert len(sets) > 50
    seen: list[PlainFolder] = []

    def watched(folder: bytes, upper: NDArray[np.uint16], *, is_root: bool) -> PlainFolder | None:
        if found := plain_folder(folder, upper, is_root=is_root):
            seen.append(found)
        return found

    monkeypatch.setattr(examine_folders, "plain_folder", watched)
    examined(image)
    assert [len(folder.heads) for folder in seen] == [60]
    rng = random.Random(5)
    for _ in range(80):
        at = rng.choice(sets) + rng.randrange(96)
        patch(image, at, bytes([data[at] ^ 1 << rng.randrange(8)]))
        quick = examined(image)
        with monkeypatch.context() as slowly:
            slowly.setattr(examine_folders, "plain_folder", lambda *_, **__: None)
            assert quick == examined(image)
        patch(image, at, data[at : at + 1])
