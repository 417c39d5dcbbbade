"""VHDX images: by qemu-img, damaged field by field; libvhdi and qemu-img as other readers."""

from __future__ import annotations

import json
import struct
import subprocess
from typing import TYPE_CHECKING

import google_crc32c
import pytest

from tests.support.containers import MIB, by_qemu, content, qemu
from tests.support.read_image import LARGEST, flipped, read_whole, what_becomes_of
from verify.errors import ImageRefused, SourceUnreadable
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

SIZE = 5 * MIB
KIB = 1 << 10
HEADERS = (64 * KIB, 128 * KIB)
REGIONS = (192 * KIB, 256 * KIB)
BAT = bytes.fromhex("6677c22d23f600429d64115e9bfd4a08")
METADATA = bytes.fromhex("06a27c8b90479a4bb8fe575f050f886e")

pytestmark = pytest.mark.tools("qemu-img")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A VHDX of a drive of 5 MiB, by qemu-img, in blocks of 1 MiB."""
    path = tmp_path_factory.mktemp("vhdx") / "drive.vhdx"
    return qemu(path, content(SIZE), "vhdx", "block_size=1M").read_bytes()


def region(file: bytes, guid: bytes) -> int:
    """Return where a region begins: MS-VHDX 2.2.3.2."""
    at = file.index(guid, REGIONS[0])
    return int(struct.unpack_from("<Q", file, at + 16)[0])


def checked(file: bytes, at: int, length: int) -> bytes:
    """Return the file with the CRC-32C of a structure set anew."""
    data = file[at : at + 4] + bytes(4) + file[at + 8 : at + length]
    crc = struct.pack("<I", google_crc32c.value(data))
    return file[: at + 4] + crc + file[at + 8 :]


def patched(file: bytes, at: int, data: bytes) -> bytes:
    """Return the file with other bytes at a place."""
    return file[:at] + data + file[at + len(data) :]


@pytest.mark.parametrize("subformat", ["dynamic", "fixed"])
@pytest.mark.parametrize("block", ["1M", "2M", "32M"])
def test_vhdx_when_qemu_made_it_then_it_is_read_byte_for_byte(
    subformat: str, block: str, tmp_path: Path
) -> None:
    """Both forms and several sizes of blocks; its sectors are reported."""
    data = content(SIZE + 512)
    path = qemu(tmp_path / "x.img", data, "vhdx", f"subformat={subformat},block_size={block}")
    assert read_whole(path) == data
    with open_drive(path) as drive:
        assert (drive.sector_bytes, drive.sector_known) == (512, True)
        assert drive.image is not None
        assert (drive.image.kind, drive.image.form) == ("vhdx", subformat)


@pytest.mark.parametrize("at", range(0, 4096, 97))
def test_vhdx_when_a_bit_of_a_header_flips_then_it_is_refused(
    at: int, made: bytes, tmp_path: Path
) -> None:
    """One whole header is not enough: the other may have been the current one, and named a log."""
    path = tmp_path / "drive.vhdx"
    for place in HEADERS:
        path.write_bytes(flipped(made, place + at, at % 8))
        assert what_becomes_of(path) == "refused"


@pytest.mark.parametrize("at", [0, 4, 8, 12, 16, 24, 32, 40, 44, 48, 70, 4_000, 65_535])
def test_vhdx_when_a_bit_of_a_region_table_flips_then_it_is_refused(
    at: int, made: bytes, tmp_path: Path
) -> None:
    """CRC-32C is over all 64 KiB of both."""
    path = tmp_path / "drive.vhdx"
    for place in REGIONS:
        path.write_bytes(flipped(made, place + at, at % 8))
        assert what_becomes_of(path) == "refused"


def test_vhdx_when_its_log_is_pending_then_it_is_refused(made: bytes, tmp_path: Path) -> None:
    """MS-VHDX 2.2.2: a log that is named holds what is still to be applied."""
    path = tmp_path / "drive.vhdx"
    file = made
    for at in HEADERS:
        file = checked(patched(file, at + 48, bytes(range(16))), at, 4 * KIB)
    path.write_bytes(file)
    with pytest.raises(ImageRefused, match="log holds changes"):
        open_drive(path)


@pytest.mark.parametrize(
    ("offset", "data", "words"),
    [
        (66, b"\x02\x00", "unknown version"),
        (68, struct.pack("<I", 1000), "log lies outside"),
        (72, struct.pack("<Q", 0), "log lies outside"),
        (72, struct.pack("<Q", 3 * MIB), "overlaps"),
    ],
)
def test_vhdx_when_a_header_departs_from_its_limits_then_it_is_refused(
    offset: int, data: bytes, words: str, made: bytes, tmp_path: Path
) -> None:
    """With right checksums: MS-VHDX 2.2.2."""
    file, path = made, tmp_path / "drive.vhdx"
    bat = region(made, BAT)
    if words == "overlaps":
        data = struct.pack("<Q", bat)
    for at in HEADERS:
        file = checked(patched(file, at + offset, data), at, 4 * KIB)
    path.write_bytes(file)
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


@pytest.mark.parametrize(
    ("index", "entry", "words"),
    [
        (0, 6 | 9_999 << 20, "beyond the end"),
        (0, 6 | 1 << 43, "beyond the end"),
        (0, 6 | 0 << 20, "overlaps"),
        (0, 7 | 9 << 20, "only a differencing disk"),
        (1, 4, "only a differencing disk"),
        (9, 6 | 8 << 20, "beyond the end of its drive"),
        (1, 1 << 3, "must be clear"),
        (0, 1 << 19 | 6, "must be clear"),
    ],
)
def test_vhdx_when_an_entry_of_its_table_is_wrong_then_it_is_refused(
    index: int, entry: int, words: str, made: bytes, tmp_path: Path
) -> None:
    """MS-VHDX 2.5.1: states, reserved bits, and places inside the file."""
    path = tmp_path / "drive.vhdx"
    path.write_bytes(patched(made, region(made, BAT) + 8 * index, struct.pack("<Q", entry)))
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


def test_vhdx_when_two_blocks_are_in_one_place_then_it_is_refused(
    made: bytes, tmp_path: Path
) -> None:
    """Entry 1 takes entry 0's place."""
    path, bat = tmp_path / "drive.vhdx", region(made, BAT)
    path.write_bytes(patched(made, bat + 8, made[bat : bat + 8]))
    with pytest.raises(ImageRefused, match="overlaps"):
        open_drive(path)


@pytest.mark.parametrize("state", [0, 1, 2, 3])
def test_vhdx_when_a_block_is_not_there_then_it_is_zeros_or_unreadable_by_its_state(
    state: int, made: bytes, tmp_path: Path
) -> None:
    """Undefined contents are nobody's zeros; a block that was given back may keep its place."""
    path, bat = tmp_path / "drive.vhdx", region(made, BAT)
    place = struct.unpack_from("<Q", made, bat + 8)[0] & ~7
    kept = state in (1, 3)
    file = made if kept else patched(made, place, bytes(MIB))
    path.write_bytes(patched(file, bat + 8, struct.pack("<Q", state | (place if kept else 0))))
    with open_drive(path, retries=0) as drive:
        assert drive.image is not None
        assert bool(drive.image.notes) == (state in (1, 3))
        if state != 1:
            assert drive.read_at(MIB, MIB) == bytes(MIB)
        else:
            with pytest.raises(SourceUnreadable):
                drive.read_at(MIB, MIB)
        assert drive.read_at(2 * MIB, MIB) == content(SIZE)[2 * MIB : 3 * MIB]


@pytest.mark.parametrize("state", [0, 1, 2, 3, 2 | 8 << 20])
def test_vhdx_when_a_block_is_lost_to_its_table_then_it_is_told(
    state: int, made: bytes, tmp_path: Path
) -> None:
    """Its bytes are still in the file, and no entry names them."""
    path, bat = tmp_path / "drive.vhdx", region(made, BAT)
    path.write_bytes(patched(made, bat + 8, struct.pack("<Q", state)))
    with open_drive(path) as drive:
        assert drive.image is not None
        assert any("No table names the data at byte" in note for note in drive.image.notes)


def test_vhdx_when_its_size_is_changed_then_it_is_refused_or_told(
    made: bytes, tmp_path: Path
) -> None:
    """MS-VHDX 2.6.2.2: no other field repeats the size; what it cuts off is seen."""
    path, metadata = tmp_path / "drive.vhdx", region(made, METADATA)
    item = made.index(bytes.fromhex("2442a52f1bcd7648b2115dbed83bf4b8"), metadata)
    at = metadata + struct.unpack_from("<I", made, item + 16)[0]
    path.write_bytes(patched(made, at, struct.pack("<Q", SIZE - 512)))
    with open_drive(path) as drive:
        assert drive.image is not None
        assert "behind the end of the drive" in drive.image.notes[0]
    path.write_bytes(patched(made, at, struct.pack("<Q", SIZE - MIB)))
    with pytest.raises(ImageRefused, match="beyond the end of its drive"):
        open_drive(path)


@pytest.mark.parametrize("count", [1, 512, 4096, MIB - 512])
def test_vhdx_when_it_is_longer_by_no_whole_mib_then_it_is_refused(
    count: int, made: bytes, tmp_path: Path
) -> None:
    """MS-VHDX 2.1: everything lies at multiples of 1 MiB."""
    path = tmp_path / "drive.vhdx"
    path.write_bytes(made + bytes(count))
    with pytest.raises(ImageRefused, match="whole number of MiB"):
        open_drive(path)


@pytest.mark.parametrize(
    ("item", "data", "words"),
    [
        (
            "3767a1ca36fa434db3b633f0aa44e76b",
            struct.pack("<II", MIB, 2),
            "differs from its parent",
        ),
        ("3767a1ca36fa434db3b633f0aa44e76b", struct.pack("<II", 3 * MIB, 0), "power of two"),
        ("3767a1ca36fa434db3b633f0aa44e76b", struct.pack("<II", 512 * KIB, 0), "power of two"),
        ("3767a1ca36fa434db3b633f0aa44e76b", struct.pack("<II", MIB, 4), "flags"),
        ("2442a52f1bcd7648b2115dbed83bf4b8", struct.pack("<Q", 0), "not a whole number of sectors"),
        (
            "2442a52f1bcd7648b2115dbed83bf4b8",
            struct.pack("<Q", SIZE + 1),
            "not a whole number of sectors",
        ),
        (
            "2442a52f1bcd7648b2115dbed83bf4b8",
            struct.pack("<Q", 1 << 60),
            "not a whole number of sectors",
        ),
        ("1dbf41816fa90947ba47f233a8faab5f", struct.pack("<I", 1024), "not 512 or 4096"),
        ("c748a3cd5d4471449cc9e9885251c556", struct.pack("<I", 0), "not 512 or 4096"),
    ],
)
def test_vhdx_when_its_metadata_departs_from_its_limits_then_it_is_refused(
    item: str, data: bytes, words: str, made: bytes, tmp_path: Path
) -> None:
    """MS-VHDX 2.6.2: each item's own limits."""
    path, at = tmp_path / "drive.vhdx", region(made, METADATA)
    entry = made.index(bytes.fromhex(item), at)
    offset, stored = struct.unpack_from("<II", made, entry + 16)
    assert stored == len(data)
    path.write_bytes(patched(made, at + offset, data))
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


def test_vhdx_when_it_is_cut_short_then_it_is_refused(made: bytes, tmp_path: Path) -> None:
    """At each MiB, and within the last."""
    path = tmp_path / "drive.vhdx"
    for length in [*range(8, len(made), MIB), len(made) - 512]:
        path.write_bytes(made[:length])
        assert what_becomes_of(path) == "refused"


@pytest.mark.parametrize("where", ["table", "entry", "table of blocks"])
def test_vhdx_when_a_bit_without_a_checksum_flips_then_qemu_reads_the_same_or_it_is_refused(
    where: str, made: bytes, tmp_path: Path
) -> None:
    """Metadata and block table have no checksum: nobody can tell, but none is alone with it."""
    path, data = tmp_path / "drive.vhdx", content(SIZE)
    start = {
        "table": region(made, METADATA),
        "entry": region(made, METADATA) + 64 * KIB,
        "table of blocks": region(made, BAT),
    }[where]
    for at in range(start, start + 48):
        path.write_bytes(flipped(made, at, at % 8))
        found = what_becomes_of(path)
        if found not in ("refused", "unreadable", data):
            assert found == other_reading(path), at - start


def other_reading(path: Path) -> bytes | None:
    """Return what qemu-img reads, or how long it takes a huge drive to be."""
    told = subprocess.run(
        ["qemu-img", "info", "--output=json", str(path)], check=True, capture_output=True
    )
    size = json.loads(told.stdout)["virtual-size"]
    return b"%d bytes" % size if size > LARGEST else by_qemu(path, "vhdx")
