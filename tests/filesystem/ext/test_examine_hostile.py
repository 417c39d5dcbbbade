"""Whatever a volume holds, its examination returns, soon, and raises nothing."""

from __future__ import annotations

import random
import time

import pytest

from tests.filesystem.ext.making import VARIANTS, fill, make
from tests.support.drives import MemoryDrive, memory_window, whole
from verify.errors import SourceVanished
from verify.filesystem.ext.examine import examine_ext

pytestmark = pytest.mark.tools("mke2fs")

PATIENCE_SECONDS = 30
CASES = 40
CHOSEN = ["ext2", "ext4", "ext4-no-checksums", "ext4-inline", "ext4-ea_inode", "ext4-orphan_file"]


@pytest.fixture(scope="module")
def volumes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Make small volumes."""
    folder = tmp_path_factory.mktemp("ext-hostile")
    tree = fill(folder / "tree", files=60)
    found = {}
    for name in CHOSEN:
        options = VARIANTS[name] + ("" if name == "ext2" else " -J size=1")
        image = make(tree, folder / f"{name}.img", f"{options} -b 1024 -N 512", "8M")
        found[name] = image.read_bytes()
    return found


@pytest.mark.parametrize("name", CHOSEN)
def test_examination_when_many_bytes_are_random_then_returns_soon(
    name: str, volumes: dict[str, bytes]
) -> None:
    """Numbers of all sizes in the superblock, the descriptors, the first inodes and folders."""
    for case in range(CASES):
        rng = random.Random(f"{name} {case}")
        data = bytearray(volumes[name])
        for _ in range(rng.choice((1, 3, 30, 300))):
            at = rng.choice((1024 + rng.randrange(1024), 2048 + rng.randrange(200_000)))
            length = rng.choice((1, 2, 4))
            value = rng.choice((b"\xff" * 4, bytes(4), rng.randbytes(4)))
            if not 1024 + 0x38 <= at < 1024 + 0x3A:
                data[at : at + length] = value[:length]
        began = time.monotonic()
        found = examine_ext(memory_window(bytes(data)), lambda: None)
        assert time.monotonic() - began < PATIENCE_SECONDS
        assert found.structure.compared


def test_examination_when_sectors_fail_then_says_what_was_left_out(
    volumes: dict[str, bytes],
) -> None:
    """A sector of the inode table, one of the superblock: neither is a fault of the structure."""
    data = volumes["ext4"]
    table = int.from_bytes(data[2048 + 8 : 2048 + 12], "little") * 1024
    found = examine_ext(whole(MemoryDrive(data, bad=((table, table + 512),))), lambda: None)
    assert any("inode table" in reason for reason in found.structure.left_out)
    found = examine_ext(whole(MemoryDrive(data, bad=((1024, 1536),))), lambda: None)
    assert found.structure.left_out
    assert found.allocation is not None
    assert found.allocation.left_out


def test_examination_when_the_drive_vanishes_then_that_passes_through(
    volumes: dict[str, bytes],
) -> None:
    """It is no property of the volume."""

    class Gone(MemoryDrive):
        def read_at(self, offset: int, length: int) -> bytes:
            if offset > 4096:
                raise SourceVanished(self.name, "pulled out")
            return super().read_at(offset, length)

    with pytest.raises(SourceVanished):
        examine_ext(whole(Gone(volumes["ext4"])), lambda: None)


def test_examination_when_the_volume_is_cut_short_then_it_is_refused(
    volumes: dict[str, bytes],
) -> None:
    """The driver asks whether the device is as long as the filesystem says (ext4_fill_super)."""
    found = examine_ext(memory_window(volumes["ext4"][: 6 << 20]), lambda: None)
    assert any(fault.field == "blocks_count" for fault in found.structure.faults)
