"""Whatever the bytes are there is an answer, soon, and nothing raised but a drive that went."""

from __future__ import annotations

import struct
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.filesystem.made import make
from tests.support.drives import MemoryDrive, memory_window, whole
from verify.errors import SourceVanished
from verify.filesystem.recognise import recognise

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem

SECONDS = 10.0
"""Far above what the worst case takes here (well under 1 s), far below a hang."""

MAKERS = {
    "ntfs": ("2M", "mkntfs", "-F", "-Q", "-c", "512"),
    "fat12": ("1M", "mkfs.fat", "-F", "12"),
    "fat32": ("40M", "mkfs.fat", "-F", "32", "-s", "1"),
    "exfat": ("4M", "mkfs.exfat", "-c", "512"),
    "ext4": ("2M", "mke2fs", "-q", "-F", "-t", "ext4", "-b", "1024"),
    "meta_bg": ("20M", "mke2fs", "-q", "-F", "-O", "meta_bg,^resize_inode", "-b", "1024"),
    "swap": ("64K", "mkswap"),
}
HOT = (0, 512, 1024, 2048, 3072, 4096, 6144, 8192, 16384, 65536)
VALUES = (b"\0", b"\xff", b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x80", b"\x01\0\0\0", b"\xff" * 8)


@dataclass
class Overlaid:
    """Bytes with a few replaced, without copying the rest; counts what is read."""

    data: bytes
    patches: tuple[tuple[int, bytes], ...]
    name: str = "overlaid"
    reads: int = field(default=0, compare=False)

    @property
    def size_bytes(self) -> int:
        """The number of bytes."""
        return len(self.data)

    def read_at(self, offset: int, length: int) -> bytes:
        """Return exactly the bytes asked for."""
        self.reads += 1
        part = bytearray(self.data[offset : offset + length])
        for at, patch in self.patches:
            for index, byte in enumerate(patch, at - offset):
                if 0 <= index < len(part):
                    part[index] = byte
        return bytes(part)


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """One small image a kind."""
    made = {}
    for kind, (size, *command) in MAKERS.items():
        made[kind] = make(tmp_path_factory.mktemp(kind), size, *command).read_bytes()
    return made


PATCHES = st.lists(
    st.tuples(
        st.builds(lambda start, rest: start + rest, st.sampled_from(HOT), st.integers(0, 511)),
        st.sampled_from(VALUES) | st.binary(min_size=1, max_size=8),
    ),
    max_size=12,
).map(tuple)


@pytest.mark.tools("mkntfs", "mkfs.fat", "mkfs.exfat", "mke2fs", "mkswap")
@pytest.mark.parametrize("kind", MAKERS)
@settings(
    max_examples=150,
    deadline=SECONDS * 1000,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(patches=PATCHES, size=st.none() | st.integers(0, 1 << 17))
def test_answer_when_any_structure_is_altered_or_cut_then_there_is_one(
    images: dict[str, bytes],
    kind: str,
    patches: tuple[tuple[int, bytes], ...],
    size: int | None,
) -> None:
    """Any field at its worst value, anywhere in the first structures; sizes stay plausible."""
    drive = Overlaid(images[kind][:size], patches)

    found = recognise(whole(drive))

    assert found.kind
    if found.free_bytes is not None and found.size_bytes is not None:
        assert found.free_bytes >= 0


@given(st.binary(max_size=8192))
def test_answer_when_the_bytes_are_arbitrary_then_there_is_one(data: bytes) -> None:
    """No structure is needed to get an answer."""
    assert recognise(memory_window(data)).kind


@pytest.mark.tools("mkntfs", "mkfs.fat", "mkfs.exfat", "mke2fs", "mkswap")
@pytest.mark.parametrize("kind", MAKERS)
def test_answer_when_each_sector_in_turn_is_bad_then_there_is_one(
    images: dict[str, bytes], kind: str
) -> None:
    """A sector that cannot be read leaves a gap that is named, never a wrong free space."""
    data = images[kind][: 2 << 20]
    right = recognise(memory_window(data))
    for sector in range(512):
        drive = MemoryDrive(data, bad=((sector * 512, sector * 512 + 512),))

        found = recognise(whole(drive))

        if found.kind == right.kind and not found.unread:
            assert found.free_bytes == right.free_bytes


@pytest.mark.tools("mkntfs", "mkfs.fat", "mkfs.exfat", "mke2fs", "mkswap")
@pytest.mark.parametrize("kind", MAKERS)
def test_answer_when_the_drive_goes_at_any_read_then_that_comes_through(
    images: dict[str, bytes], kind: str
) -> None:
    """A drive that went away is no damaged filesystem: it is reported, whichever read it was."""
    counted = Overlaid(images[kind], ())
    recognise(whole(counted))

    for limit in range(counted.reads):
        with pytest.raises(SourceVanished):
            recognise(whole(Going(images[kind], (), limit=limit)))


@dataclass
class Going(Overlaid):
    """A drive that is gone after `limit` reads."""

    limit: int = 0

    def read_at(self, offset: int, length: int) -> bytes:
        """Return bytes, or raise once the limit is reached."""
        if self.reads >= self.limit:
            raise SourceVanished(self.name, "unplugged by a test")
        return super().read_at(offset, length)


def in_time(data: bytes) -> Filesystem:
    """Recognise these bytes, in bounded time."""
    start = time.perf_counter()
    found = recognise(memory_window(data))
    assert time.perf_counter() - start < SECONDS
    return found


@pytest.mark.tools("mkfs.exfat")
@pytest.mark.parametrize("hop", [0, 4096])
def test_time_when_an_exfat_bitmap_claims_all_clusters_then_is_bounded(
    images: dict[str, bytes], hop: int
) -> None:
    """A chain that bites its tail, or hops between far entries, under a bitmap of 512 MiB."""
    data = bytearray(images["exfat"])
    fat = int.from_bytes(data[80:84], "little") * 512
    heap = int.from_bytes(data[88:92], "little") * 512
    root = heap + (int.from_bytes(data[96:100], "little") - 2) * 512
    at = next(at for at in range(root, root + 512, 32) if data[at] == 0x81)
    struct.pack_into("<IQ", data, at + 20, 2, 1 << 29)
    struct.pack_into("<I", data, 92, (1 << 32) - 11)
    struct.pack_into("<I", data, fat + 8, 2 + hop)
    struct.pack_into("<I", data, fat + 4 * (2 + hop), 2)

    found = in_time(bytes(data))

    assert (found.kind, found.free_bytes) == ("exfat", None)
    assert [item.what for item in found.unread] == ["allocation bitmap"]


@pytest.mark.tools("mkfs.fat")
def test_time_when_a_fat32_root_bites_its_tail_then_is_bounded(images: dict[str, bytes]) -> None:
    """The root directory may have 65,536 entries, not more, however long its chain."""
    data = bytearray(images["fat32"])
    fat = int.from_bytes(data[14:16], "little") * 512
    root_cluster = int.from_bytes(data[44:48], "little")
    struct.pack_into("<I", data, fat + 4 * root_cluster, root_cluster)

    assert in_time(bytes(data)).kind == "fat32"


@pytest.mark.tools("mke2fs")
def test_time_when_ext_groups_are_one_block_long_then_is_bounded(
    images: dict[str, bytes],
) -> None:
    """Two thousand million groups are claimed; only described ones cost anything."""
    data = bytearray(images["ext4"])
    struct.pack_into("<I", data, 1024 + 4, 0x7FFFFFFF)
    struct.pack_into("<I", data, 1024 + 0x20, 1)

    found = in_time(bytes(data))

    assert (found.kind, found.free_bytes) == ("ext4", None)
    assert found.unread


@pytest.mark.tools("mkntfs")
@pytest.mark.parametrize("sectors", [(1 << 32) - 1, (2 << 20) * 8])
@pytest.mark.parametrize(("what", "matching"), [("$Bitmap run list", False), ("$Bitmap", True)])
def test_time_when_an_ntfs_bitmap_claims_everything_then_is_bounded(
    images: dict[str, bytes], *, sectors: int, what: str, matching: bool
) -> None:
    """One run of 9.3e11 clusters, in a volume that claims 2^32, or as many as its bitmap fits.

    Or one that is as long as the bitmap of such a volume, with all sizes to match.
    """
    data = bytearray(images["ntfs"])
    cluster = 512
    mft = int.from_bytes(data[48:56], "little") * cluster
    struct.pack_into("<Q", data, 40, sectors)
    record = mft + 6 * 1024
    attribute = data.index(struct.pack("<I", 0x80), record)
    runs = attribute + 64
    data[runs : runs + 8] = b"\x15" + (930_000_000_000).to_bytes(5, "little") + b"\x04\x00"
    if matching:
        length = -(-sectors // (8 * cluster))
        data[runs : runs + 8] = b"\x15" + length.to_bytes(5, "little") + b"\x04\x00"
        struct.pack_into("<Q", data, attribute + 24, length - 1)
        struct.pack_into("<QQQ", data, attribute + 40, *[length * cluster] * 3)

    found = in_time(bytes(data))

    assert (found.kind, found.free_bytes) == ("ntfs", None)
    assert [item.what for item in found.unread] == [what]
