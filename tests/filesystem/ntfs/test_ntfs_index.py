"""Indexes of folders: every sound one is read whole, and every damaged one is reported.

The volumes are written by ntfs-3g, and what they hold is what `os.walk` finds through its mount.
Places in indexes and records are those of libfsntfs, NTFS format.
"""

from __future__ import annotations

import os
import struct
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import MemoryDrive, memory_window, whole
from verify.errors import StructureError
from verify.filesystem.ntfs.listing import NtfsListing
from verify.filesystem.ntfs.record_table import RecordTable
from verify.filesystem.ntfs.records import Stream

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.filesystem.entry import Entry

pytestmark = [pytest.mark.root, pytest.mark.tools("mkntfs", "ntfs-3g", "umount")]

NAMES, OTHERS = 400, 60
FLAGS, LENGTH, LETTERS = 12, 8, 80
"""In an entry of an index."""

NODE, USED = 24, 28
"""In a block: the node's header, and how much of it is used."""

LAST_ENTRY = 2
BLOCKS, BITMAP = 0xA0, 0xB0
RECORD = 1024


def written(folder: Path, fill: Callable[[Path], None], *options: str) -> tuple[bytes, set[str]]:
    """Make a volume, fill it through a mount; return its bytes, and what `os.walk` finds."""
    image, mount = folder / "volume.img", folder / "mount"
    mount.mkdir()
    image.write_bytes(b"")
    os.truncate(image, 32 << 20)
    subprocess.run(["mkntfs", "-q", "-F", "-Q", *options, image], check=True, capture_output=True)
    subprocess.run(["ntfs-3g", "-o", "streams_interface=xattr", image, mount], check=True)
    try:
        fill(mount)
        found = {
            "/" + str((Path(place) / name).relative_to(mount))
            for place, folders, files in os.walk(mount)
            for name in folders + files
        }
    finally:
        subprocess.run(["umount", mount], check=True)
    return image.read_bytes(), found


def listed(image: bytes) -> tuple[list[Entry], list[str]]:
    """List a volume."""
    volume = NtfsListing(memory_window(image))
    return list(volume.entries()), volume.incomplete


def fill_folders_of_all_sorts(mount: Path) -> None:
    """Large and small ones, emptied and shrunk ones, with attribute lists, with full records."""
    for name in ("large", "emptied", "shrunk"):
        (mount / name).mkdir()
        for number in range(300):
            (mount / name / f"a file with a name {number:03}").touch()
    for number in range(300):
        (mount / "emptied" / f"a file with a name {number:03}").unlink()
        if number % 10:
            (mount / "shrunk" / f"a file with a name {number:03}").unlink()
    (mount / "listed").mkdir()
    for number in range(60):
        os.setxattr(mount / "listed", f"user.stream {number:03}", b"s" * 30)
    for number in range(200):
        (mount / "listed" / f"file {number}").touch()
    for size in range(8, 400, 8):
        folder = mount / f"filled {size}"
        folder.mkdir()
        for number in range(40):
            (folder / f"a file with a name {number:02}").touch()
        os.setxattr(folder, "user.stream", b"s" * size)


@pytest.mark.parametrize("cluster", ["512", "4096", "16384", "65536"])
def test_folders_when_they_are_sound_then_each_is_read_by_its_own_index(
    cluster: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever stands in other records, and whatever lies in blocks that are free."""
    image, found = written(tmp_path, fill_folders_of_all_sorts, "-c", cluster)
    monkeypatch.setattr(NtfsListing, "_by_library", None)
    entries, incomplete = listed(image)
    assert {entry.path for entry in entries} == found
    assert len(entries) == len(found) > 2_500
    assert incomplete == []


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Write one folder with several blocks of names, and a small one."""

    def fill(mount: Path) -> None:
        (mount / "folder").mkdir()
        for number in range(NAMES):
            (mount / "folder" / f"name {number:03}").write_bytes(b"contents " * (number % 200))
        (mount / "other").mkdir()
        for number in range(OTHERS):
            (mount / "other" / f"other {number:03}").touch()

    return written(tmp_path_factory.mktemp("volume"), fill, "-c", "4096")[0]


def entry_at(image: bytes, name: str) -> int:
    """Return where the entry of a name begins in a block of an index."""
    text, at = name.encode("utf-16-le"), 0
    while True:
        at = image.index(text, at + 1)
        block = at - at % 4096
        (used,) = struct.unpack_from("<I", image, block + USED)
        if image.startswith(b"INDX", block) and at < block + NODE + used:
            return at - 82


def changed(image: bytes, at: int, value: bytes) -> bytes:
    """Return an image with bytes overwritten."""
    return image[:at] + value + image[at + len(value) :]


def record_at(image: bytes, path: str) -> int:
    """Return where a file's record begins."""
    volume = NtfsListing(memory_window(image))
    node = next(entry.node for entry in volume.entries() if entry.path == path)
    assert volume.records is not None
    place = volume.records.table.place_of(node)
    assert place is not None
    return place


def attribute_at(image: bytes, path: str, kind: int) -> int:
    """Return where an attribute of a file begins."""
    start = record_at(image, path)
    position = start + int.from_bytes(image[start + 20 : start + 22], "little")
    while True:
        found, length = struct.unpack_from("<II", image, position)
        if found == kind:
            return position
        position += length


def with_middle_last(image: bytes) -> bytes:
    """Mark an entry as the last one that is not."""
    at = entry_at(image, "name 200") + FLAGS
    return changed(image, at, bytes([image[at] | LAST_ENTRY]))


def with_used_cut(image: bytes) -> bytes:
    """Let a block seem shorter than it is."""
    block = entry_at(image, "name 200") // 4096 * 4096
    used = int.from_bytes(image[block + USED : block + USED + 4], "little")
    return changed(image, block + USED, (used - 8).to_bytes(4, "little"))


def with_first_moved(image: bytes) -> bytes:
    """Let a block begin with its second entry."""
    block = entry_at(image, "name 200") // 4096 * 4096
    first = int.from_bytes(image[block + NODE : block + NODE + 4], "little")
    (length,) = struct.unpack_from("<H", image, block + NODE + first + LENGTH)
    return changed(image, block + NODE, (first + length).to_bytes(4, "little"))


def with_entry_swallowed(image: bytes) -> bytes:
    """Let an entry reach over the next one."""
    at = entry_at(image, "name 200")
    (length,) = struct.unpack_from("<H", image, at + LENGTH)
    (following,) = struct.unpack_from("<H", image, at + length + LENGTH)
    return changed(image, at + LENGTH, (length + following).to_bytes(2, "little"))


def with_block_of_another(image: bytes) -> bytes:
    """Put a copy of one block in the place of another."""
    block, other = (entry_at(image, name) // 4096 * 4096 for name in ("name 200", "name 020"))
    assert block != other
    return changed(image, block, image[other : other + 4096])


def with_blocks_renamed(image: bytes) -> bytes:
    """Let blocks and bitmap belong to an index of another name."""
    for kind in (BLOCKS, BITMAP):
        at = attribute_at(image, "/folder", kind)
        name = at + int.from_bytes(image[at + 10 : at + 12], "little")
        image = changed(image, name + 2, b"X")
    return image


def with_blocks_ended(image: bytes) -> bytes:
    """Put an end mark where the blocks stood."""
    return changed(image, attribute_at(image, "/folder", BLOCKS), b"\xff" * 4)


def with_bitmap_behind(image: bytes) -> bytes:
    """Mark a block as used that the index does not have."""
    at = attribute_at(image, "/folder", BITMAP)
    value = at + int.from_bytes(image[at + 20 : at + 22], "little")
    return changed(image, value + 7, b"\x80")


def with_bitmap_short(image: bytes) -> bytes:
    """Let the bitmap say nothing of any block."""
    return changed(image, attribute_at(image, "/folder", BITMAP) + 16, bytes(4))


def with_block_of_another_folder(image: bytes) -> bytes:
    """Put a block of another folder, with the same number, in the place of one."""
    block, other = (entry_at(image, name) // 4096 * 4096 for name in ("name 003", "other 003"))
    number = image[block + 16 : block + 24]
    return changed(image, block, image[other : other + 16] + number + image[other + 24 :][:4072])


DAMAGES = (
    with_bitmap_short,
    with_block_of_another_folder,
    with_middle_last,
    with_used_cut,
    with_first_moved,
    with_entry_swallowed,
    with_block_of_another,
    with_blocks_renamed,
    with_blocks_ended,
    with_bitmap_behind,
)


@pytest.mark.parametrize("damage", DAMAGES)
def test_index_when_it_is_damaged_then_the_listing_is_not_complete(
    damage: Callable[[bytes], bytes], image: bytes
) -> None:
    """Names of one folder may be missing then, and of no other; the folder is named."""
    sound, _ = listed(image)
    found, incomplete = listed(damage(image))
    assert len(sound) == NAMES + OTHERS + 2
    assert {entry.path for entry in sound if not entry.path.startswith("/folder/")} == {
        entry.path for entry in found if not entry.path.startswith("/folder/")
    }
    assert [line.split(":")[0] for line in incomplete] == ["/folder"]


def test_name_when_it_is_cut_within_its_padding_then_it_is_told(image: bytes) -> None:
    """A name of nine letters has room for as many bytes as one of eight; its key has not."""
    at = entry_at(image, "other 003") + LETTERS
    found, incomplete = listed(changed(image, at, bytes([image[at] - 1])))
    assert len(found) == NAMES + OTHERS + 2
    assert incomplete == ["/other: the folder's index is damaged"]


@pytest.mark.parametrize("change", ["not in use", "another's"])
def test_name_when_its_record_is_not_its_own_then_it_is_listed_without_contents(
    change: str, image: bytes
) -> None:
    """The folder names it still; another file's record in its place is not reported as this one."""
    at = record_at(image, "/folder/name 200")
    if change == "not in use":
        damaged = changed(image, at + 22, b"\0\0")
    else:
        damaged = changed(image, at + 16, bytes([image[at + 16] ^ 0x40]))
    (entry,) = [item for item in listed(damaged)[0] if item.path == "/folder/name 200"]
    assert entry.unhashed is not None
    assert (entry.size, entry.extents) == (0, [])


def test_folder_when_its_record_is_that_of_another_then_nothing_is_listed_below_it(
    image: bytes,
) -> None:
    """The other folder's names are not taken for its own; its missing names are reported."""
    at = record_at(image, "/other")
    root = image.index("other".encode("utf-16-le"), image.index(b"INDX")) - 82
    assert image[root : root + 6] == (at // RECORD - record_at_zero(image)).to_bytes(6, "little")
    folder = (record_at(image, "/folder") // RECORD - record_at_zero(image)).to_bytes(6, "little")
    found, incomplete = listed(changed(image, root, folder + b"\x77\0"))
    paths = [entry.path for entry in found]
    assert "/other" in paths
    assert not [path for path in paths if path.startswith("/other/")]
    assert sum(path.startswith("/folder/") for path in paths) == NAMES
    assert incomplete == ["/other: its record is that of another file, or of none"]


def record_at_zero(image: bytes) -> int:
    """Return where the MFT begins, in records."""
    volume = NtfsListing(memory_window(image))
    assert volume.records is not None
    return volume.records.table.places[0].start // RECORD


@pytest.mark.parametrize("fault", ["torn", "unreadable"])
def test_listing_when_owners_cannot_be_read_then_all_names_are_listed(
    fault: str, tmp_path: Path
) -> None:
    """Only the file of all access lists is lost; what it held is reported as missing."""

    def fill(mount: Path) -> None:
        for number in range(5):
            (mount / f"name {number}").touch()

    data, found = written(tmp_path, fill)
    volume = NtfsListing(memory_window(data))
    assert volume.records is not None
    at = volume.records.table.place_of(9)
    assert at is not None
    if fault == "torn":
        # NOTE: ntfs-3g keeps descriptors in the records of such files; Windows refers to $Secure.
        drive = MemoryDrive(changed(data, at + 510, b"\xff\xff"))
    else:
        drive = MemoryDrive(data, bad=((at, at + RECORD),))
    volume = NtfsListing(whole(drive))
    assert volume.records is not None
    assert volume.records.marks.known(0x100) is None
    assert {entry.path for entry in volume.entries()} == found
    assert volume.incomplete == ["$Secure: it cannot be read, and owners are not known"]


def test_own_file_when_another_has_its_number_then_it_is_listed(image: bytes) -> None:
    """A name in the root is the filesystem's own by its name and number together."""
    at = image.index("$Volume".encode("utf-16-le"), image.index(b"INDX")) - 82
    reference = int.from_bytes(image[at : at + 8], "little")
    assert reference & 0xFFFFFFFF == 3
    found, _ = listed(changed(image, at, (10).to_bytes(6, "little")))
    assert "/$Volume" in {entry.path for entry in found}


def test_records_when_a_part_of_the_mft_lies_nowhere_then_no_other_is_taken_for_them(
    image: bytes,
) -> None:
    """The records behind the hole keep their numbers, and know them."""
    volume = NtfsListing(memory_window(image))
    assert volume.records is not None
    table = volume.records.table
    (place,) = table.places

    def with_ranges(*ranges: tuple[int | None, int]) -> RecordTable:
        stream = Stream(sum(size for _, size in ranges), None, ranges)
        return RecordTable(
            table.window, RECORD, table.cluster_bytes, 0, 0, table.clusters, mft=stream
        )

    ends = (place.start, 64 * RECORD), (place.start + 80 * RECORD, place.length - 80 * RECORD)
    holed = with_ranges(ends[0], (None, 16 * RECORD), ends[1])
    assert holed.record(90) == table.record(90)
    assert (holed.place_of(70), holed.place_of(90)) == (None, table.place_of(90))
    with pytest.raises(StructureError):
        holed.record(70)
    shifted = with_ranges(*ends)
    with pytest.raises(StructureError):
        shifted.record(90)
