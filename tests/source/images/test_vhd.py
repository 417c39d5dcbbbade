"""VHD images: by qemu-img, by tables of the specification, and damaged field by field."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from tests.support.containers import MIB, SECTOR, by_qemu, content, qemu, vhd_checksum, vhd_footer
from tests.support.read_image import flipped, read_whole, what_becomes_of
from verify.errors import ImageRefused, SourceUnreadable
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

SIZE = 5 * MIB
BLOCK = 2 * MIB

HEADER_AT, TABLE_AT, FIRST_BLOCK_AT = 512, 1536, 2048


def dynamic(
    data: bytes, *, kind: int = 3, entries: list[int] | None = None, size: int | None = None
) -> bytes:
    """Return a dynamic disk after VHD 1.0: footer, header, table, blocks with bitmaps, footer.

    `entries`: of the table, as sectors, in place of those that are right.
    """
    count = -(-len(data) // BLOCK)
    step = SECTOR + BLOCK
    table = entries or [(FIRST_BLOCK_AT + number * step) // SECTOR for number in range(count)]
    footer = vhd_footer(size or len(data), kind, HEADER_AT)
    header = struct.pack(">8sQQIII", b"cxsparse", (1 << 64) - 1, TABLE_AT, 0x10000, count, BLOCK)
    header = vhd_checksum(header.ljust(1024, b"\0"), 36)
    file = footer + header + struct.pack(f">{len(table)}I", *table).ljust(512, b"\xff")
    for number in range(count):
        block = data[number * BLOCK : (number + 1) * BLOCK].ljust(BLOCK, b"\0")
        file += b"\xff" * SECTOR + block
    return file + footer


@pytest.mark.tools("qemu-img")
@pytest.mark.parametrize("subformat", ["fixed", "dynamic"])
def test_vhd_when_qemu_made_it_then_it_is_read_byte_for_byte(
    subformat: str, tmp_path: Path
) -> None:
    """qemu-img convert, with the size forced, keeps the drive's length."""
    data = content(SIZE)
    path = qemu(tmp_path / "drive.vhd", data, "vpc", f"subformat={subformat},force_size=on")
    assert read_whole(path) == data
    with open_drive(path) as drive:
        assert drive.image is not None
        assert (drive.image.kind, drive.image.form) == ("vhd", subformat)


def test_vhd_when_made_by_the_specification_then_a_second_reader_agrees(tmp_path: Path) -> None:
    """Libvhdi reads the builder's file as we do: the cases below damage a right one."""
    pyvhdi = pytest.importorskip("pyvhdi")
    data, path = content(SIZE), tmp_path / "drive.vhd"
    path.write_bytes(dynamic(data))
    other = pyvhdi.file()
    other.open(str(path))
    assert other.read_buffer_at_offset(SIZE, 0) == data == read_whole(path)
    other.close()


@pytest.mark.parametrize("at", range(0, 512, 5))
def test_dynamic_vhd_when_a_bit_of_a_footer_flips_then_it_is_refused(
    at: int, tmp_path: Path
) -> None:
    """The checksum takes in all 512 bytes, of the footer and of its copy."""
    file, path = dynamic(content(SIZE)), tmp_path / "drive.vhd"
    for place in (at, len(file) - 512 + at, HEADER_AT + 2 * at):
        path.write_bytes(flipped(file, place, at % 8))
        assert what_becomes_of(path) == "refused"


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        ([4, 4101, 0x00FFFFFF], "beyond the end"),
        ([4, 4, 8198], "overlaps"),
        ([4, 4 + 4096, 8198], "overlaps"),
        ([2, 4101, 8198], "overlaps"),
        ([0, 4101, 8198], "overlaps"),
    ],
)
def test_dynamic_vhd_when_its_table_is_wrong_then_it_is_refused(
    entries: list[int], words: str, tmp_path: Path
) -> None:
    """A block beyond the file, two in one place, one on the headers: the table has no checksum."""
    path = tmp_path / "drive.vhd"
    path.write_bytes(dynamic(content(SIZE), entries=entries))
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda file: file[:-512], "no footer"),
        (lambda file: file[:-BLOCK], "no footer"),
        (lambda file: vhd_footer(SIZE + MIB, 3, HEADER_AT) + file[512:], "differ"),
    ],
)
def test_dynamic_vhd_when_it_is_cut_or_its_footers_differ_then_it_is_refused(
    change: object, words: str, tmp_path: Path
) -> None:
    """VHD 1.0: the copy at the start is the footer's own."""
    path = tmp_path / "drive.vhd"
    path.write_bytes(change(dynamic(content(SIZE))))  # type: ignore[operator]
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


def test_vhd_when_it_has_a_parent_then_it_is_refused_with_the_parent_there_or_not(
    tmp_path: Path,
) -> None:
    """Type 4 is a differencing disk."""
    path = tmp_path / "drive.vhd"
    path.write_bytes(dynamic(content(SIZE), kind=4))
    with pytest.raises(ImageRefused, match="differs from its parent"):
        open_drive(path)


def test_vhd_when_a_sector_was_never_written_then_only_zeros_count_as_zeros(tmp_path: Path) -> None:
    """A clear bit over other bytes is read in two ways by programs: it is unreadable."""
    data, path = content(SIZE), tmp_path / "drive.vhd"
    file = bytearray(dynamic(data))
    written, empty = 0, 20  # NOTE: the drive's bytes 0 to 5,000 are in use, sector 20 is zeros
    for sector in (written, empty):
        file[FIRST_BLOCK_AT + sector // 8] &= ~(0x80 >> sector % 8)
    path.write_bytes(file)
    with open_drive(path, retries=0) as drive:
        assert drive.read_at(SECTOR, SIZE - SECTOR) == data[SECTOR:]
        with pytest.raises(SourceUnreadable):
            drive.read_at(0, MIB)
        assert drive.unreadable == [(0, SECTOR)]


def test_fixed_vhd_when_geometry_makes_another_size_then_the_footers_is_taken_and_both_told(
    tmp_path: Path,
) -> None:
    """VHD 1.0: current size is what the machine sees; 10 x 4 x 17 sectors are 348,160 bytes."""
    data, path = content(400 * SECTOR * 2), tmp_path / "drive.img"
    path.write_bytes(data + vhd_footer(len(data), geometry=(10, 4, 17)))
    assert read_whole(path) == data
    with open_drive(path) as drive:
        assert drive.image is not None
        assert drive.image.geometry_bytes == 348_160
        assert "348,160" in drive.image.notes[0]


@pytest.mark.parametrize("at", range(0, 512, 7))
def test_fixed_vhd_when_a_bit_of_its_footer_flips_then_it_is_refused_by_its_name(
    at: int, tmp_path: Path
) -> None:
    """Under the name of a raw image the same file is one, and no byte of it is lost."""
    data = content(MIB)
    file = flipped(data + vhd_footer(len(data)), len(data) + at, at % 8)
    vhd, raw = tmp_path / "drive.vhd", tmp_path / "drive.img"
    vhd.write_bytes(file)
    raw.write_bytes(file)
    assert what_becomes_of(vhd) == "refused"
    assert read_whole(raw) == file


def test_raw_image_when_its_last_sector_is_a_footer_of_another_drive_then_it_is_read_whole(
    tmp_path: Path,
) -> None:
    """A footer that was left behind on a drive counts other bytes than are in front of it."""
    file, path = content(MIB) + vhd_footer(3 * MIB), tmp_path / "drive.img"
    path.write_bytes(file)
    assert read_whole(path) == file


def test_fixed_vhd_when_its_machine_is_in_saved_state_then_it_is_refused(tmp_path: Path) -> None:
    """What the machine had not written yet is not on its drive."""
    data, path = content(MIB), tmp_path / "drive.vhd"
    path.write_bytes(data + vhd_footer(len(data), saved=1))
    with pytest.raises(ImageRefused, match="saved state"):
        open_drive(path)


@pytest.mark.tools("qemu-img")
@pytest.mark.parametrize("at", range(TABLE_AT, TABLE_AT + 12))
def test_dynamic_vhd_when_a_bit_of_its_table_flips_then_no_byte_is_wrong_without_a_word(
    at: int, tmp_path: Path
) -> None:
    """The table has no checksum: what is read all the same, qemu-img reads too."""
    data, path = content(SIZE), tmp_path / "drive.vhd"
    for bit in range(8):
        path.write_bytes(flipped(dynamic(data), at, bit))
        found = what_becomes_of(path)
        assert found in ("refused", "unreadable", data) or found == by_qemu(path, "vpc")
