"""NTFS records by the thousand, and folders by their own index: against the ways that are slower.

The volume is written by ntfs-3g. One by one, records are taken apart by code that shares nothing
with the columns but the field tables; the library's own walk shares nothing with the index.
"""

from __future__ import annotations

import os
import random
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import file_window, memory_window
from verify.errors import ReaderError
from verify.filesystem.ntfs import entries as ntfs_entries
from verify.filesystem.ntfs.columns import rows_of
from verify.filesystem.ntfs.entries import RecordEntries
from verify.filesystem.ntfs.listing import NtfsListing
from verify.filesystem.ntfs.packed_record import FOLDER, ROW
from verify.filesystem.ntfs.record_table import RecordTable

if TYPE_CHECKING:
    from pathlib import Path

    from verify.filesystem.entry import Entry
    from verify.filesystem.ntfs.records import FileRecord
    from verify.source.window import Window

pytestmark = [pytest.mark.root, pytest.mark.tools("mkntfs", "ntfs-3g", "umount")]

IMAGE_BYTES = 24 << 20
FOLDERS, FILES = 12, 90
BITMAP, DOS, END = 0xB0, 2, 0xFFFFFFFF
"""The attribute that says which blocks of an index are used; the namespace of short names; the
mark behind the last attribute."""

DATA, FLAGS_AT, VALID_AT, RESIDENT = 0x80, 12, 56, 1_024
"""The type of a stream's attribute; its flags, and the length that was written, if outside the
record (libfsntfs, NTFS format, 'MFT attribute'); no record has room for more."""

COMPRESSED_FOLDER = 0x810
"""Attributes of a folder whose files are compressed ([MS-FSCC] 2.6)."""


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Write a volume of small, larger, empty, streamed, linked and renamed files."""
    folder = tmp_path_factory.mktemp("volume")
    path, mount = folder / "volume.img", folder / "mount"
    mount.mkdir()
    path.write_bytes(b"")
    os.truncate(path, IMAGE_BYTES)
    subprocess.run(["mkntfs", "-q", "-F", "-Q", path], check=True)
    options = "streams_interface=xattr,compression"
    subprocess.run(["ntfs-3g", "-o", options, path, mount], check=True)
    try:
        _fill(mount)
    finally:
        subprocess.run(["umount", mount], check=True)
    return path.read_bytes()


def _fill(mount: Path) -> None:
    chance = random.Random(7)
    for top in range(FOLDERS):
        folder = mount / f"folder {top}"
        folder.mkdir()
        for number in range(FILES):
            file = folder / f"Datei {number:03} - {'ä' * (number % 5)}.txt"
            file.write_bytes(os.urandom(chance.choice((0, 10, 700, 5_000, 30_000))))
            if number % 9 == 0:
                os.setxattr(file, "system.ntfs_dos_name", f"DATEI~{number}.TXT".encode())
            if number % 11 == 0:
                os.setxattr(file, "user.note", b"a stream")
            if number % 13 == 0:
                os.link(file, folder / f"further {number}")
            if number % 17 == 0:
                file.unlink()
    for number in range(0, FILES, 2):
        with (mount / f"folder 3/in pieces {number}").open("wb") as pieces:
            for piece in range(3):  # apart from each other: several runs
                pieces.seek(piece * 40_000)
                pieces.write(b"piece" * 900)


def listed(window: Window, *, many: bool) -> tuple[list[Entry], list[str]]:
    """List a volume with records by the thousand or one by one."""
    volume = NtfsListing(window)
    assert volume.records is not None
    volume.records.many = many
    return list(volume.entries()), volume.incomplete


def walked(window: Window) -> tuple[list[Entry], list[str]]:
    """List a volume by the library alone."""
    volume = NtfsListing(window)
    volume.records = None
    return list(volume.entries()), volume.incomplete


def tried(window: Window, *, many: bool) -> tuple[list[Entry], list[str]]:
    """List a volume, or tell why its root cannot be."""
    try:
        return listed(window, many=many)
    except ReaderError as error:
        return [], [error.reason]


def test_records_when_taken_by_the_thousand_then_each_is_as_one_by_one(image: bytes) -> None:
    """Times, sizes, places, links, owners, short names, streams; and most have a row."""
    asked: set[int] = set()
    one_by_one = RecordTable.record

    def record(table: RecordTable, number: int, base: int = 0) -> FileRecord:
        asked.add(number)
        return one_by_one(table, number, base)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RecordTable, "record", record)
        patch.setattr(ntfs_entries, "FIRST_ONE_BY_ONE", 0)
        found, incomplete = listed(memory_window(image), many=True)
    assert (found, incomplete) == listed(memory_window(image), many=False)
    assert len(found) > FOLDERS * FILES
    files = [entry for entry in found if entry.kind == "file"]
    seldom = {entry.node for entry in files if entry.streams or len(entry.extents) > 1}
    assert asked & {entry.node for entry in files} == seldom
    assert sum(entry.short is not None for entry in found) > FOLDERS
    assert 0 < len(seldom) < len(found) // 4


def test_index_when_read_then_it_names_what_the_library_walks(image: bytes) -> None:
    """Deleted names, short names of listed files, `.` and `$MFT` are left out."""
    assert walked(memory_window(image)) == listed(memory_window(image), many=True)


def test_contents_when_they_are_straight_then_they_are_what_the_library_reads(
    image: bytes, tmp_path: Path
) -> None:
    """In the record, or in one piece; not those compressed, in pieces, or written in part."""
    path, mount = tmp_path / "volume.img", tmp_path / "mount"
    path.write_bytes(image)
    mount.mkdir()
    subprocess.run(["ntfs-3g", "-o", "compression", path, mount], check=True)
    try:
        (mount / "in part").write_bytes(b"begun" * 1_000)
        os.truncate(mount / "in part", 60_000)
        (mount / "packed").mkdir()
        attributes = COMPRESSED_FOLDER.to_bytes(4, "little")
        os.setxattr(mount / "packed", "system.ntfs_attrib", attributes)
        for number in range(20):
            (mount / "packed" / f"{number}").write_bytes(b"pack this " * 300 * number)
    finally:
        subprocess.run(["umount", mount], check=True)
    window = memory_window(path.read_bytes())
    volume = NtfsListing(window)
    assert volume.records is not None
    volume.records.many = True
    found: dict[type, int] = {bytes: 0, int: 0, type(None): 0}
    for entry in volume.entries():
        if entry.kind != "file" or not entry.size:
            continue
        where = volume.straight(entry.node, entry.size)
        found[type(where)] += 1
        if where is not None:
            data = window.read(where, entry.size) if isinstance(where, int) else where
            assert data == volume.read(entry, 0, entry.size), entry.path
            assert volume.straight(entry.node, entry.size + 1) is None
        if entry.path == "/in part" or entry.path.startswith("/packed/"):
            assert where is None, entry.path
    assert found[bytes] > FILES
    assert found[int] > FILES
    assert found[type(None)] > FILES // 2


@pytest.mark.parametrize(("at", "value"), [(VALID_AT, 1), (FLAGS_AT, 0x4000)])
def test_contents_when_their_attribute_says_more_then_they_are_not_straight(
    image: bytes, at: int, value: int
) -> None:
    """Written in part, or encrypted: what lies in their clusters is not what they are."""
    volume = NtfsListing(memory_window(image))
    assert volume.records is not None
    volume.records.many = True
    files = [item for item in volume.entries() if item.kind == "file" and item.size > RESIDENT]
    straight = [item for item in files if isinstance(volume.straight(item.node, item.size), int)]
    table, data = volume.records.table, bytearray(image)
    for entry in straight:
        stream = next(item for item in table.record(entry.node).attributes if item.type == DATA)
        data[stream.at + at : stream.at + at + 2] = value.to_bytes(2, "little")
    changed = NtfsListing(memory_window(bytes(data)))
    assert changed.records is not None
    changed.records.many = True
    assert len(straight) > FILES
    assert {changed.straight(item.node, item.size) for item in straight} == {None}


@pytest.mark.parametrize("seed", range(60))
def test_records_when_bytes_are_overwritten_then_no_row_says_what_a_record_does_not(
    image: bytes, seed: int
) -> None:
    """Random bytes in records and indexes: both ways read the same, or leave it to the library."""
    chance = random.Random(seed)
    data = bytearray(image)
    marks = [b"FILE0", b"INDX"]
    places = [at for mark in marks for at in _places(image, mark)]
    for _ in range(60):
        at = chance.choice(places) + chance.choice((chance.randrange(96), chance.randrange(1024)))
        data[at] = chance.choice((0, 1, 0xFF, chance.randrange(256)))
    window = memory_window(bytes(data))
    by_thousand, one_by_one = tried(window, many=True), tried(window, many=False)
    assert by_thousand[1] == one_by_one[1]
    for found, expected in zip(by_thousand[0], one_by_one[0], strict=True):
        assert found == expected


def _places(image: bytes, mark: bytes) -> list[int]:
    return [at for at in range(0, len(image), 1024) if image.startswith(mark, at)]


def test_listing_when_the_index_is_torn_then_the_library_is_asked(
    image: bytes, tmp_path: Path
) -> None:
    """A block whose end was never written gives no names of its own; the library's walk tells."""
    data = bytearray(image)
    block = image.index(["folder 5", "Datei 003"][1].encode("utf-16-le"), image.index(b"INDX"))
    block -= block % 4096
    assert image.startswith(b"INDX", block)
    data[block + 510] ^= 0xFF
    path = tmp_path / "torn.img"
    path.write_bytes(data)
    volume = NtfsListing(file_window(path))
    paths = [entry.path for entry in volume.entries()]
    assert FOLDERS * FILES / 2 < len(paths) < FOLDERS * FILES
    assert len(volume.incomplete) == 1


def block_of(image: bytes, name: str) -> int:
    """Return where the block of an index begins that holds a name."""
    text = name.encode("utf-16-le")
    at = image.index(text)
    while not image.startswith(b"INDX", at - at % 4096):
        at = image.index(text, at + 1)
    return at - at % 4096


def changed(image: bytes, at: int, value: bytes) -> bytes:
    """Return an image with bytes overwritten."""
    return image[:at] + value + image[at + len(value) :]


def test_index_when_a_block_is_marked_free_then_its_names_are_listed_still(image: bytes) -> None:
    """The bitmap of an index says which blocks are used; the entries that point to them decide."""
    whole = listed(memory_window(image), many=True)
    folder = next(entry.node for entry in whole[0] if entry.path == "/folder 5")
    volume = NtfsListing(memory_window(image))
    assert volume.records is not None
    record = volume.records.table.record(folder)
    (bitmap,) = [item for item in record.attributes if item.type == BITMAP]
    at = bitmap.at + int.from_bytes(image[bitmap.at + 20 : bitmap.at + 22], "little")
    assert image[at] & 0b10
    freed = changed(image, at, bytes([image[at] & ~0b10]))
    assert listed(memory_window(freed), many=True) == (
        whole[0],
        ["/folder 5: the folder's index is damaged"],
    )


def test_name_when_it_is_of_dos_alone_then_it_is_a_name(image: bytes) -> None:
    """A file whose long name lost its mark is not left out as the short name of another."""
    name = "Datei 003 - äää.txt"
    block = block_of(image, name)
    at = image.index(name.encode("utf-16-le"), block) - 1
    assert image[at] != DOS
    found, _ = listed(memory_window(changed(image, at, bytes([DOS]))), many=True)
    assert found == listed(memory_window(image), many=True)[0]


def test_records_when_they_are_others_or_point_outside_then_they_have_no_row(image: bytes) -> None:
    """A record knows its own number, and no file lies behind the end of its volume."""
    volume = NtfsListing(memory_window(image))
    assert volume.records is not None
    table = volume.records.table
    piece = table.read(0, len(table) * table.record_bytes)

    def rows(first: int, clusters: int) -> list[tuple[int, ...]]:
        data = rows_of(piece, table.record_bytes, first, clusters, lambda _: 0)
        return [row for row in ROW.iter_unpack(data) if row[0]]

    own = rows(0, table.clusters)
    assert len(own) > FOLDERS * FILES / 2
    assert rows(1, table.clusters) == []
    half = rows(0, table.clusters // 2)
    files = [row for row in own if not row[0] & FOLDER]
    inside = [row for row in files if row[-2] + row[-1] <= table.clusters // 2]
    assert [row for row in half if not row[0] & FOLDER] == inside
    assert len(inside) < len(files)
    assert set(half) < set(own)  # a folder's row does not say where its index lies


VALUES = 0, 1, 0x7F, 0xFF
FLIPS = 8, 0x10


class OneRecord(RecordTable):
    """A table whose records are all the one that is being tried."""

    tried = b""

    def _stored(self, number: int) -> tuple[bytes, int]:  # noqa: ARG002 - as the table has it
        return self.tried, 0

    def read(self, at: int, length: int) -> bytes:
        """Return the record in its place, behind zeros."""
        inside = (self.wanted - at // self.record_bytes) * self.record_bytes
        return (bytes(inside) + self.tried)[:length]

    wanted = 0


def fields_of(record: bytes, kinds: dict[int, int]) -> list[int]:
    """Return where the bytes of a record's head, attribute heads and run lists stand."""
    places = [*range(48)]
    position = int.from_bytes(record[20:22], "little")
    while (kind := int.from_bytes(record[position : position + 4], "little")) != END:
        length = int.from_bytes(record[position + 4 : position + 8], "little")
        heads = 80 if record[position + 8] else 28
        places += range(position, position + min(heads, length))
        kinds[kind] = kinds.get(kind, 0) + 1
        position += length
    return [*places, *range(position, position + 8)]


def test_columns_when_any_field_is_another_then_they_take_nothing_that_the_decoder_refuses(
    image: bytes,
) -> None:
    """Every byte of heads and run lists in turn: what a row says, the record by itself says too."""
    volume = NtfsListing(memory_window(image))
    assert volume.records is not None
    table, marks = volume.records.table, volume.records.marks
    found = {entry.path: entry.node for entry in volume.entries()}
    kinds: dict[int, int] = {}
    refused = taken = 0
    piece = table.read(0, len(table) * table.record_bytes)
    rows = [*ROW.iter_unpack(rows_of(piece, table.record_bytes, 0, table.clusters, lambda _: 0))]
    # NOTE: a folder whose index lies in one run, and two files.
    folder = next(found[f"/folder {n}"] for n in range(FOLDERS) if rows[found[f"/folder {n}"]][0])
    names = "/folder 5/Datei 002 - ää.txt", "/folder 5/Datei 003 - äää.txt"
    for number in (folder, *(found[name] for name in names)):
        place = table.place_of(number)
        assert place is not None
        whole = image[place : place + table.record_bytes]
        one = OneRecord(table.window, table.record_bytes, table.cluster_bytes, 0, 0, table.clusters)
        one.wanted = number
        reference = number | int.from_bytes(whole[16:18], "little") << 48
        for at in fields_of(whole, kinds):
            for value in (*VALUES, *(whole[at] ^ bit for bit in FLIPS)):
                one.tried = changed(whole, at, bytes([value]))
                by_itself = RecordEntries(one, marks)
                by_itself.many = False
                row = rows_of(one.tried, table.record_bytes, number, table.clusters, lambda _: 0)
                if not any(row):
                    refused += by_itself.entry("/x", reference, None, 5) is None
                    continue
                taken += 1
                in_row = RecordEntries(one, marks)
                in_row.many = True
                with pytest.MonkeyPatch.context() as patch:
                    patch.setattr(ntfs_entries, "FIRST_ONE_BY_ONE", 0)
                    patch.setattr(RecordEntries, "_of_record", lambda *_: None)
                    expected = in_row.entry("/x", reference, None, 5)
                assert by_itself.entry("/x", reference, None, 5) == expected, (at, value)
    assert taken > 500
    assert refused > 500
    assert {0x10, 0x30, 0x80, 0x90, 0xA0, 0xB0} <= set(kinds)
