"""Bytes invented give a result, soon and in little memory: the examinations of FAT and exFAT."""

from __future__ import annotations

import random
import struct
import time
import tracemalloc
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.filesystem.made import make
from tests.support.drives import memory_window, whole
from verify.filesystem.examination import MOST_FAULTS
from verify.filesystem.examine import examine

if TYPE_CHECKING:
    from verify.filesystem.examination import Examination

SECONDS = 20.0
"""Far above what the worst case takes here (3 s), far below a hang."""

MAKERS = {
    "fat12": ("1M", "mkfs.fat", "-F", "12", "-s", "1"),
    "fat16": ("3M", "mkfs.fat", "-F", "16", "-s", "1"),
    "fat32": ("34M", "mkfs.fat", "-F", "32", "-s", "1"),
    "exfat": ("3M", "mkfs.exfat", "-c", "512", "-b", "64K"),
}

pytestmark = pytest.mark.tools("mkfs.fat", "mkfs.exfat")


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """One small empty image a kind."""
    made = {}
    for kind, (size, *command) in MAKERS.items():
        made[kind] = make(tmp_path_factory.mktemp(kind), size, *command).read_bytes()
    return made


@dataclass
class Laid:
    """A volume with pieces laid over it; beyond its end all is noise, the same at every reading."""

    data: bytes
    pieces: dict[int, bytes]
    size_bytes: int
    noise: bytes = b"\0"
    name: str = "laid over"

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly the bytes asked for."""
        part = bytearray(self.data[offset : offset + length])
        start = (offset + len(part)) % len(self.noise)
        rest = length - len(part)
        part += (self.noise * (rest // len(self.noise) + 2))[start : start + rest]
        for at, piece in self.pieces.items():
            first, end = max(at, offset), min(at + len(piece), offset + length)
            if first < end:
                part[first - offset : end - offset] = piece[first - at : end - at]
        return bytes(part)


def told(found: Examination | None) -> Examination:
    """Hold that an examination is bounded."""
    assert found is not None
    for half in (found.structure, found.allocation):
        assert half is None or len(half.faults) <= MOST_FAULTS * 5
    return found


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kind=st.sampled_from(sorted(MAKERS)),
    places=st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=64)), max_size=12),
)
def test_examine_when_bytes_are_invented_then_there_is_a_result(
    images: dict[str, bytes], kind: str, places: list[tuple[float, bytes]]
) -> None:
    """Into the first 256 KiB: the boot sector, FATs, the bitmap, the root."""
    data = images[kind]
    # Most of them near the start: there the structures are.
    pieces = {int(at**3 * (1 << 18)): piece for at, piece in places}
    told(examine(whole(Laid(data, pieces, len(data))), kind, lambda: None))


@pytest.mark.parametrize("kind", MAKERS)
@pytest.mark.parametrize("seed", range(3))
def test_examine_when_all_behind_the_boot_sector_is_noise_then_it_ends_soon(
    images: dict[str, bytes], kind: str, seed: int
) -> None:
    """A volume whose boot sector alone is whole."""
    data = images[kind]
    noise = data[:512] + random.Random(seed).randbytes(len(data) - 512)
    began = time.monotonic()
    found = told(examine(memory_window(noise), kind, lambda: None))
    assert time.monotonic() - began < SECONDS
    assert found.structure.faults


def fat32_of(clusters: int) -> bytes:
    """The boot sector of a volume of so many clusters of 4 KiB (FAT 1.03)."""
    fat = -(-(clusters + 2) * 4 // 512)
    sector = bytearray(512)
    struct.pack_into(
        "<3s8sHBHBHHBHHHII",
        sector,
        0,
        b"\xeb\x58\x90",
        b"INVENTED",
        512,
        8,
        32,
        1,
        0,
        0,
        0xF8,
        0,
        63,
        255,
        0,
        32 + fat + clusters * 8,
    )
    struct.pack_into("<IHHIHH", sector, 36, fat, 0, 0, 2, 1, 6)
    sector[510:] = b"\x55\xaa"
    return bytes(sector)


@pytest.mark.parametrize("noise", ["random", "in use", "free"])
def test_examine_when_a_large_volume_is_noise_then_time_and_memory_are_bounded(noise: str) -> None:
    """Four million clusters: 5 bytes each are held, 4 more for each break, besides what is read."""
    clusters = 1 << 22
    boot = fat32_of(clusters)
    fill = {
        "random": random.Random(1).randbytes(1 << 16),
        "in use": b"\xff\xff\xff\x0f",
        "free": b"\0",
    }
    drive = Laid(boot, {}, 512 * (32 + clusters * 9), fill[noise])
    tracemalloc.start()
    began = time.monotonic()
    told(examine(whole(drive), "fat32", lambda: None))
    assert time.monotonic() - began < SECONDS
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 40 * clusters


def test_examine_when_every_entry_names_one_broken_chain_then_it_is_followed_once(
    images: dict[str, bytes],
) -> None:
    """512 entries, and a chain of all clusters from the last to the first: each run is one long."""
    data = images["fat16"]
    sector, per, reserved, fats, entries = struct.unpack_from("<HBHBH", data, 11)
    length = struct.unpack_from("<H", data, 22)[0] * sector
    clusters = 4200
    chain = struct.pack(f"<{clusters}H", 0xFFF8, 0xFFFF, 0xFFFF, *range(2, clusters - 1))
    names = b"".join(
        struct.pack("<11sB8xHHHHI", f"{number:08}BIN".encode(), 0x20, 0, 0, 0, clusters - 1, 99)
        for number in range(entries)
    )
    assert per == 1
    pieces = {sector * reserved: chain, sector * reserved + length: chain}
    pieces[sector * reserved + fats * length] = names
    began = time.monotonic()
    found = told(examine(whole(Laid(data, pieces, len(data))), "fat16", lambda: None))
    assert time.monotonic() - began < SECONDS
    assert found.allocation is not None
    assert found.allocation.counts["overwritten"] == entries - 1


@pytest.mark.parametrize("kind", ["fat32", "exfat"])
def test_examine_when_the_root_goes_round_then_it_is_told(
    images: dict[str, bytes], kind: str
) -> None:
    """A chain of one cluster that names itself."""
    data = images[kind]
    if kind == "fat32":
        at, root = struct.unpack_from("<H", data, 14)[0] * 512, 2
    else:
        at, root = (
            struct.unpack_from("<I", data, 80)[0] * 512,
            struct.unpack_from("<I", data, 96)[0],
        )
    piece = struct.pack("<I", root)
    found = told(examine(whole(Laid(data, {at + 4 * root: piece}, len(data))), kind, lambda: None))
    assert "refused" in found.structure.counts
