"""VMDK images: by qemu-img in all its forms, and damaged field by field."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from tests.support.containers import MIB, SECTOR, by_qemu, content, qemu
from tests.support.read_image import LARGEST, flipped, read_whole, what_becomes_of
from verify.errors import ImageRefused, SourceUnreadable
from verify.source.drive import open_drive

if TYPE_CHECKING:
    from pathlib import Path

SIZE = 5 * MIB
FORMS = (
    "monolithicSparse",
    "monolithicFlat",
    "twoGbMaxExtentSparse",
    "twoGbMaxExtentFlat",
    "streamOptimized",
)

pytestmark = pytest.mark.tools("qemu-img")


def made(folder: Path, form: str, size: int = SIZE) -> Path:
    """Have qemu-img make a VMDK."""
    return qemu(folder / "drive.vmdk", content(size), "vmdk", f"subformat={form}")


def patched(path: Path, at: int, data: bytes) -> None:
    """Change bytes of a file."""
    file = bytearray(path.read_bytes())
    file[at : at + len(data)] = data
    path.write_bytes(file)


def number(path: Path, at: int) -> int:
    """Return 64 bits of the header."""
    return int(struct.unpack_from("<Q", path.read_bytes(), at)[0])


@pytest.mark.parametrize("form", FORMS)
def test_vmdk_when_qemu_made_it_then_it_is_read_byte_for_byte(form: str, tmp_path: Path) -> None:
    """Every form that it makes, of a length that is no number of grains."""
    path = made(tmp_path, form, SIZE + 3 * SECTOR)
    assert read_whole(path) == content(SIZE + 3 * SECTOR)
    with open_drive(path) as drive:
        assert drive.image is not None
        assert (drive.image.kind, drive.image.form) == ("vmdk", form)


@pytest.mark.parametrize("form", ["twoGbMaxExtentSparse", "twoGbMaxExtentFlat", "monolithicFlat"])
def test_vmdk_when_an_extent_is_missing_empty_or_cut_then_it_is_refused(
    form: str, tmp_path: Path
) -> None:
    """Found when it is opened, and named."""
    path = made(tmp_path, form)
    (extent,) = [item for item in tmp_path.iterdir() if item != path]
    whole = extent.read_bytes()
    for data in (whole[:-SECTOR], whole[: len(whole) // 2], b""):
        extent.write_bytes(data)
        with pytest.raises(ImageRefused):
            open_drive(path)
    extent.unlink()
    with pytest.raises(ImageRefused, match=f"extent {extent.name} is missing"):
        open_drive(path)


def test_vmdk_when_one_extent_or_a_flat_file_is_given_then_its_descriptor_is_asked_for(
    tmp_path: Path,
) -> None:
    """An extent alone does not say what else belongs to the drive."""
    made(tmp_path, "twoGbMaxExtentSparse")
    with pytest.raises(ImageRefused, match="what else belongs") as caught:
        open_drive(tmp_path / "drive-s001.vmdk")
    assert "describes it" in caught.value.hint()
    made(tmp_path, "monolithicFlat")
    with pytest.raises(ImageRefused) as caught:
        open_drive(tmp_path / "drive-flat.vmdk")
    assert "describes it" in caught.value.hint()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("parentCID=ffffffff", "parentCID=12345678", "snapshot"),
        ("parentCID=ffffffff", 'parentCID=ffffffff\nparentFileNameHint="x"', "snapshot"),
        ("parentCID=ffffffff", "", "does not say whether"),
        ("version=1", 'version=1\nencryption.keySafe = "vmware:key"', "encrypted"),
        ("RW ", "NOACCESS ", "must not be read"),
        ("RW ", "RW x", "damaged"),
        ("RW ", "#", "damaged"),
        ("RW ", "rw ", "damaged"),
        ("version=1", "version", "line of its descriptor is damaged"),
        ("ddb.", "dd.", "cut short"),
        ("# The Disk", "\0", "text follows its end"),
        ('.vmdk" 0\n', '.vmdk" 0 RW 3 ZERO', "damaged"),
        (" FLAT ", " VMFSSPARSE ", "sort VMFSSPARSE"),
        (" FLAT ", " VMFSRDM ", "sort VMFSRDM"),
        ('"drive-flat', '"../drive-flat', "does not lie beside it"),
        ('"drive-flat', '"/dev/../drive-flat', "does not lie beside it"),
        ('"drive-flat', '"C:drive-flat', "does not lie beside it"),
        ('"drive-flat.vmdk"', '"drive.vmdk"', "itself"),
        ('.vmdk" 0', '.vmdk" 9', "shorter"),
        (" 10240 ", " 10241 ", "shorter"),
        (" 10240 ", " 99999999999 ", "shorter"),
        (" 10240 ", " 9999999999999999 ", "larger than this program reads"),
        (" 10240 ", " 0 ", "no sectors"),
    ],
)
def test_vmdk_when_its_descriptor_is_of_another_sort_or_damaged_then_it_is_refused(
    old: str, new: str, words: str, tmp_path: Path
) -> None:
    """Virtual Disk Format 5.0, "The Disk Descriptor File"."""
    path = made(tmp_path, "monolithicFlat")
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, -1 if old == "ddb." else 1), "utf-8")
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


def test_vmdk_when_it_has_several_extents_then_they_are_read_in_their_order(
    tmp_path: Path,
) -> None:
    """Two parts of one flat file, zeros between them."""
    path, data = made(tmp_path, "monolithicFlat"), content(SIZE)
    text = path.read_text("utf-8")
    line = next(item for item in text.splitlines() if item.startswith("RW "))
    parts = 'RW 2048 FLAT "drive-flat.vmdk" 2048\nRW 3 ZERO\nRW 1 FLAT "drive-flat.vmdk" 0'
    path.write_text(text.replace(line, parts), "utf-8")
    assert read_whole(path) == data[MIB : 2 * MIB] + bytes(3 * SECTOR) + data[:SECTOR]
    again = parts.replace('vmdk" 0', 'vmdk" 4000')
    path.write_text(text.replace(line, again), "utf-8")
    with pytest.raises(ImageRefused, match="overlap"):
        open_drive(path)


@pytest.mark.parametrize(
    ("at", "data", "words"),
    [
        (4, b"\x04", "unknown version"),
        (8, b"\x00\x01", "flags"),
        (12, struct.pack("<Q", 1 << 60), "more than such a file can hold"),
        (12, struct.pack("<Q", 10_241), "do not describe one drive"),
        (20, struct.pack("<Q", 100), "power of two"),
        (20, struct.pack("<Q", 4), "power of two"),
        (44, struct.pack("<I", 511), "512 entries"),
        (48, struct.pack("<Q", 1 << 40), "beyond the end"),
        (56, struct.pack("<Q", 1 << 40), "beyond the end"),
        (56, struct.pack("<Q", 0), "no grain directory"),
        (28, struct.pack("<Q", 0), "what else belongs"),
        (72, b"\x01", "not closed"),
        (73, b"\r", "transfer as text"),
        (77, b"\x01", "contradicts itself"),
    ],
)
def test_vmdk_when_a_field_of_its_header_is_wrong_then_it_is_refused(
    at: int, data: bytes, words: str, tmp_path: Path
) -> None:
    """Virtual Disk Format 5.0, "Hosted Sparse Extents": each field by its limits."""
    path = made(tmp_path, "monolithicSparse")
    patched(path, at, data)
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


def first_table(path: Path, directory: int) -> int:
    """Return where the first grain table of a directory begins, in bytes."""
    at = number(path, directory) * SECTOR
    return int(struct.unpack_from("<I", path.read_bytes(), at)[0]) * SECTOR


def test_vmdk_when_its_two_sets_of_tables_differ_then_it_is_refused(tmp_path: Path) -> None:
    """The redundant one, and the other."""
    for directory in (48, 56):
        path = made(tmp_path, "monolithicSparse")
        patched(path, first_table(path, directory), struct.pack("<I", 0))
        with pytest.raises(ImageRefused, match="two sets of grain tables differ"):
            open_drive(path)


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (1 << 30, "beyond the end"),
        (1, "inside its header"),
        (None, "overlaps"),
        (21, "inside its header"),
    ],
)
def test_vmdk_when_both_tables_name_a_wrong_grain_then_it_is_refused(
    entry: int | None, words: str, tmp_path: Path
) -> None:
    """Beyond the file, on the header, in another grain's place, on a table."""
    path = made(tmp_path, "monolithicSparse")
    for directory in (48, 56):
        table = first_table(path, directory)
        taken = struct.unpack_from("<I", path.read_bytes(), table)[0]
        patched(path, table + 16, struct.pack("<I", taken if entry is None else entry))
    with pytest.raises(ImageRefused, match=words):
        open_drive(path)


def test_vmdk_stream_when_it_is_cut_then_it_is_refused(tmp_path: Path) -> None:
    """At many lengths; without what only fills up its last sector it is whole."""
    path = made(tmp_path, "streamOptimized")
    whole = path.read_bytes()
    for length in [*range(600, len(whole), len(whole) // 50), len(whole) // 2]:
        path.write_bytes(whole[:length])
        assert what_becomes_of(path) in ("refused", content(SIZE))


def test_vmdk_stream_when_a_grain_is_damaged_then_it_alone_is_unreadable(tmp_path: Path) -> None:
    """RFC 1950: a zlib stream ends with a checksum of its bytes."""
    path, data = made(tmp_path, "streamOptimized"), content(SIZE)
    at = next(iter(grains(path.read_bytes())))
    patched(path, at + 400, bytes([path.read_bytes()[at + 400] ^ 1]))
    with open_drive(path, retries=0) as drive:
        with pytest.raises(SourceUnreadable):
            drive.read_at(0, SIZE)
        assert drive.unreadable == [(sector * SECTOR, SECTOR) for sector in range(128)]
        assert drive.read_at(128 * SECTOR, SIZE - 128 * SECTOR) == data[128 * SECTOR :]


def grains(file: bytes) -> list[int]:
    """Return where markers of grain 0 begin: its sector 0, and a size."""
    return [
        at
        for at in range(SECTOR, len(file), SECTOR)
        if file[at : at + 8] == bytes(8) and file[at + 12 : at + 13] == b"x"
    ]


def thinned(tmp_path: Path) -> tuple[Path, bytes]:
    """Return a stream of a drive with a MiB of nothing in it, and the drive."""
    data = content(SIZE)[: 2 * MIB] + bytes(MIB) + content(SIZE)[3 * MIB :]
    return qemu(tmp_path / "drive.vmdk", data, "vmdk", "subformat=streamOptimized"), data


def test_vmdk_stream_when_a_table_lost_a_grain_then_it_is_unreadable(tmp_path: Path) -> None:
    """Virtual Disk Format 5.0, "Grain Marker": its marker repeats which grain it is."""
    path, data = thinned(tmp_path)
    tables = {first_table(path, 56)} | ({first_table(path, 48)} if number(path, 48) else set())
    for table in tables:
        patched(path, table, bytes(4))
    with open_drive(path, retries=0) as drive:
        assert drive.image is not None
        assert any("1 grain is stored, and missing" in note for note in drive.image.notes)
        with pytest.raises(SourceUnreadable):
            drive.read_at(0, 128 * SECTOR)
        assert drive.read_at(128 * SECTOR, SIZE - 128 * SECTOR) == data[128 * SECTOR :]


@pytest.mark.parametrize(("field", "value"), [(0, 128), (8, 1), (8, 0), (8, 1 << 20)])
def test_vmdk_stream_when_one_marker_is_damaged_then_its_grain_alone_is_unreadable(
    field: int, value: int, tmp_path: Path
) -> None:
    """Its sector, or its size: the next grain is where the tables say."""
    path, data = thinned(tmp_path)
    (at,) = grains(path.read_bytes())
    patched(path, at + field, struct.pack("<I", value))
    with open_drive(path, retries=0) as drive:
        assert drive.image is not None
        told = any("A marker of the VMDK is damaged" in note for note in drive.image.notes)
        assert told == (field == 8)
        with pytest.raises(SourceUnreadable):
            drive.read_at(0, 128 * SECTOR)
        assert drive.read_at(128 * SECTOR, SIZE - 128 * SECTOR) == data[128 * SECTOR :]


def test_vmdk_stream_when_two_markers_are_damaged_then_it_is_refused(tmp_path: Path) -> None:
    """The walk goes on behind one, not behind more."""
    path, _ = thinned(tmp_path)
    table = first_table(path, 56)
    entries = struct.unpack_from("<80I", path.read_bytes(), table)
    for sector in [entry for entry in entries if entry][:4:3]:
        patched(path, sector * SECTOR + 8, struct.pack("<I", 1))
    with pytest.raises(ImageRefused, match="its tables and the markers of its grains differ"):
        open_drive(path)


@pytest.mark.parametrize("form", ["monolithicSparse", "streamOptimized"])
def test_vmdk_when_a_bit_of_its_tables_flips_then_no_byte_is_wrong_without_a_word(
    form: str, tmp_path: Path
) -> None:
    """What is read all the same is what was stored, or qemu-img reads it alike."""
    path, data = made(tmp_path, form), content(SIZE)
    whole = path.read_bytes()
    places = [*range(80), *range(SECTOR, SECTOR + 400, 3)]
    if form == "monolithicSparse":
        places += [first_table(path, at) + byte for at in (48, 56) for byte in range(0, 324, 5)]
    for at in places:
        path.write_bytes(flipped(whole, at, at % 8))
        found = what_becomes_of(path)
        if found not in ("refused", "unreadable", data):
            assert len(found) < LARGEST
            assert found == by_qemu(path, "vmdk"), at
