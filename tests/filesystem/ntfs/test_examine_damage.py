"""Each structure of an NTFS volume damaged: what its driver makes of it, and what we tell.

The driver is asked in the test: ntfs-3g mounts a copy for writing, lists and reads it, fills it,
and lists and reads it again (`tests.bench.damage_ntfs`). Whatever it refuses, misses or reads
otherwise must be told; what it takes may be told where the format's own check would repair it.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tests.bench.damage import Listing
from tests.bench.damage_ntfs import FAMILY
from tests.corpus.test_foreign_images import images, unpacked
from tests.filesystem.ntfs.test_examine import examined, faults_of
from tests.filesystem.ntfs.volume_bytes import BITMAP, BLOCKS, DATA, ROOT, VolumeBytes
from tests.support.drives import MemoryDrive, whole
from verify.filesystem.examine import examine
from verify.filesystem.ntfs import examine_indexes, examine_secure, examine_table
from verify.filesystem.ntfs.examine_columns import Taken, taken_at_once

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import ModuleType

    from numpy.typing import NDArray


pytestmark = [pytest.mark.root, pytest.mark.tools("mkntfs", "ntfs-3g", "umount")]

STANDARD, FILE_NAME = 0x10, 0x30
ENTRY_LENGTH = 8


@dataclass(frozen=True)
class Good:
    """A whole volume, as it was some files before, and what its driver lists."""

    older: bytes
    data: bytes
    listing: Listing


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Good:
    """Make a volume with clusters of 4,096 bytes."""
    folder = tmp_path_factory.mktemp("good")
    _, older, data = FAMILY.volumes(folder)[0]
    refused, listing = FAMILY.oracle(data, folder)
    assert refused is None
    return Good(older, data, listing)


def zero_record(number: int) -> Callable[[VolumeBytes, Good], None]:
    """Return a damage that zeroes a record."""
    return lambda volume, _: volume.put(volume.record(number), bytes(1024))


def head(number: int, at: int, code: str, step: int) -> Callable[[VolumeBytes, Good], None]:
    """Return a damage that adds to a number in the head of a record."""

    def change(volume: VolumeBytes, _: Good) -> None:
        place = (volume.record(number) if number >= 0 else plain(volume)) + at
        volume.put_number(place, code, volume.number(place, code) + step)

    return change


def plain(volume: VolumeBytes) -> int:
    """Return where the record of a plain file begins."""
    return volume.record(volume.find("a file 050"))


def attribute(kind: int, at: int, code: str, value: int) -> Callable[[VolumeBytes, Good], None]:
    """Return a damage that writes a number into an attribute of a file in clusters."""

    def change(volume: VolumeBytes, _: Good) -> None:
        place = volume.attribute(volume.record(volume.find("longer 3")), kind) + at
        volume.put_number(place, code, value)

    return change


def stream(number: int, name: str, at: int, data: bytes) -> Callable[[VolumeBytes, Good], None]:
    """Return a damage that writes into a system file's stream."""
    return lambda volume, _: volume.put(volume.system(number, name, at), data)


def block_of_many(volume: VolumeBytes) -> int:
    """Return where the first block of the large folder's index lies."""
    return volume.place(volume.attribute(volume.record(volume.find("many")), BLOCKS))


def older_block(volume: VolumeBytes, good: Good) -> None:
    """Put an old and whole block of a folder in place of the new one: a lost write."""
    at = block_of_many(volume)
    assert good.older[at : at + 4] == b"INDX" != good.older[at : at + 4096] != volume.data
    volume.put(at, good.older[at : at + 4096])


def clear_bits(volume: VolumeBytes, _: Good) -> None:
    """Mark a file's clusters free."""
    for count, start in volume.runs(volume.attribute(volume.record(volume.find("longer 1")), DATA)):
        for cluster in range(start, start + count):
            place = volume.system(6, "", cluster // 8)
            volume.data[place] &= ~(1 << cluster % 8) & 0xFF


def set_bit(volume: VolumeBytes, _: Good) -> None:
    """Mark a free cluster in use."""
    clusters = volume.number(40, "Q") // volume.data[13]
    free = next(
        cluster
        for cluster in range(clusters)
        if not volume.data[volume.system(6, "", cluster // 8)] >> cluster % 8 & 1
    )
    volume.flip(volume.system(6, "", free // 8), free % 8)


def share_clusters(volume: VolumeBytes, _: Good) -> None:
    """Let a file's run list name the clusters of another."""
    first, second = (
        volume.attribute(volume.record(volume.find(name)), DATA)
        for name in ("longer 1", "longer 3")
    )
    at, size = volume.number(first + 32, "H"), volume.number(first + 4, "I") - 64
    volume.put(second + at, volume.read[first + at : first + at + size])


def free_record(volume: VolumeBytes, _: Good) -> None:
    """Mark a file's record free in the MFT's bitmap."""
    number = volume.find("a file 050")
    bitmap = volume.attribute(volume.record(0), BITMAP)
    volume.flip(volume.place(bitmap, number // 8), number % 8)


def entry_of(volume: VolumeBytes, name: str) -> int:
    """Return where the index entry of a file in the large folder begins."""
    blocks = volume.attribute(volume.record(volume.find("many")), BLOCKS)
    for position in range(0, volume.number(blocks + 48, "Q"), 4096):
        block = volume.place(blocks, position)
        used = 24 + volume.number(block + 28, "I")
        found = volume.read.find(name.encode("utf-16-le"), block, block + used)
        if found >= 0:
            return found - 82
    raise KeyError(name)


def entry(at: int, step: int) -> Callable[[VolumeBytes, Good], None]:
    """Return a damage that adds to a byte of an index entry."""

    def change(volume: VolumeBytes, _: Good) -> None:
        place = entry_of(volume, "a file 050") + at
        assert place % 512 < 510, "the end of a stride"
        volume.data[place] = volume.data[place] + step & 0xFF

    return change


def drop_list_entry(volume: VolumeBytes, _: Good) -> None:
    """Shorten an attribute list by its last entry."""
    record = volume.record(volume.find("longer 0"))
    listed = volume.attribute(record, 0x20)
    assert volume.data[listed + 8], "the list lies in clusters"
    place, left, last = volume.place(listed), volume.number(listed + 48, "Q"), 0
    while left:
        last = volume.number(place + 4, "H")
        place, left = place + last, left - last
    for at in (48, 56):
        volume.put_number(listed + at, "Q", volume.number(listed + at, "Q") - last)


CASES: dict[str, tuple[Callable[[VolumeBytes, Good], None], str | None]] = {
    "record 0 zeroed": (zero_record(0), "refused"),
    "record 1 zeroed": (zero_record(1), "refused"),
    "record 2 zeroed": (zero_record(2), "refused"),
    "record 3 zeroed": (zero_record(3), "refused"),
    "record 4 zeroed": (zero_record(4), "refused"),
    "record 5 zeroed": (zero_record(5), "refused"),
    "record 6 zeroed": (zero_record(6), "refused"),
    "record 7 zeroed": (zero_record(7), "lost"),
    "record 8 zeroed": (zero_record(8), "lost"),
    "record 9 zeroed": (zero_record(9), "lost"),
    "record 10 zeroed": (zero_record(10), "refused"),
    "record 11 zeroed": (zero_record(11), "lost"),
    "record 12 zeroed": (zero_record(12), "repaired"),
    "record 24 zeroed": (zero_record(24), "lost"),
    "boot sector: place of $MFT": (lambda v, _: v.flip(48), "refused"),
    "boot sector: place of $MFTMirr": (lambda v, _: v.flip(56), "refused"),
    "boot sector: number of sectors": (
        lambda v, _: v.put_number(40, "Q", v.number(40, "Q") - 800),
        "repaired",
    ),
    "$Volume: version": (
        lambda v, _: v.flip(v.value(v.attribute(v.record(3), 0x70)) + 8, 4),
        "refused",
    ),
    "name of a system file": (
        lambda v, _: v.flip(v.value(v.attribute(v.record(7), FILE_NAME)) + 68),
        "repaired",
    ),
    "mirror of record 1, one bit": (lambda v, _: v.flip(v.mirror + 1024 + 100), "repaired"),
    "mirror zeroed": (lambda v, _: v.put(v.mirror, bytes(4096)), "repaired"),
    "$AttrDef zeroed": (stream(4, "", 0, bytes(2560)), "refused"),
    "$AttrDef: a limit": (stream(4, "", 144, b"\x31"), "repaired"),
    "$UpCase: the letter z": (stream(10, "", 2 * ord("z"), b"z\0"), "refused"),
    "$UpCase: another letter": (stream(10, "", 2 * 0x101, b"\x01\x01"), "repaired"),
    "$UpCase zeroed": (stream(10, "", 0, bytes(4096)), "refused"),
    "$LogFile: first restart page zeroed": (stream(2, "", 0, b"RSTR" + bytes(4092)), "refused"),
    "$Secure: a descriptor": (stream(9, "$SDS", 40, b"\x99"), "repaired"),
    "$Secure: a mirror copy": (stream(9, "$SDS", (256 << 10) + 40, b"\x99"), "repaired"),
    "boot sector: signature": (lambda v, _: v.put(510, b"\0\0"), "repaired"),
    "record: signature": (head(-1, 0, "B", 1), "lost"),
    "record: bytes in use": (head(-1, 24, "I", 8), "lost"),
    "record: bytes allocated": (head(-1, 28, "I", 1024), "lost"),
    "record: offset of attributes": (head(-1, 20, "H", 8), "lost"),
    "record: base reference": (head(-1, 32, "Q", 70), "lost"),
    "record: link count": (head(-1, 18, "H", 1), "repaired"),
    "record: sequence number": (head(-1, 16, "H", 1), "lost"),
    "record: not in use": (head(-1, 22, "H", -1), "lost"),
    "record: torn": (lambda v, _: v.flip(plain(v) + 510), "lost"),
    "record: an old copy": (
        lambda v, g: v.put(plain(v), g.older[plain(v) : plain(v) + 1024]),
        "lost",
    ),
    "attribute: length": (attribute(DATA, 4, "I", 64), "lost"),
    "attribute: type": (attribute(DATA, 0, "I", 0x81), "lost"),
    "attribute: resident flag": (attribute(DATA, 8, "B", 0), "lost"),
    "attribute: last cluster": (attribute(DATA, 24, "Q", 9), "lost"),
    "attribute: allocated size": (attribute(DATA, 40, "Q", 4096), "lost"),
    "attribute: initialised size": (attribute(DATA, 56, "Q", 1 << 20), "lost"),
    "attribute: flags": (attribute(DATA, 12, "H", 0x0100), "lost"),
    "attribute: encrypted flag": (attribute(DATA, 12, "H", 0x4000), "lost"),
    "attribute: compressed flag": (attribute(DATA, 12, "H", 0x0001), "lost"),
    "attribute: compression unit": (attribute(DATA, 34, "H", 4), "lost"),
    "run list: first run outside": (attribute(DATA, 64, "I", 0x7FFF0321), "lost"),
    "$STANDARD_INFORMATION: value's length": (attribute(STANDARD, 16, "I", 40), "lost"),
    "attribute list: an entry less": (drop_list_entry, "lost"),
    "index block zeroed": (lambda v, _: v.put(block_of_many(v), bytes(4096)), "lost"),
    "index block: an old copy": (older_block, "lost"),
    "index block: number": (lambda v, _: v.flip(block_of_many(v) + 16), "lost"),
    "index entry: record": (entry(0, 1), "lost"),
    "index entry: sequence number": (entry(6, 1), "lost"),
    "index entry: length": (entry(ENTRY_LENGTH, 8), "lost"),
    "index entry: parent": (entry(16, 1), "lost"),
    "index entry: letter, in order": (entry(82 + 18, 0x20), "lost"),
    "index entry: first letter": (entry(82, 1), "lost"),
    "index entry: kind": (entry(75, 0x10), "repaired"),
    "$FILE_NAME of a record: a letter": (
        lambda v, _: v.flip(v.value(v.attribute(plain(v), FILE_NAME)) + 66, 1),
        "repaired",
    ),
    "$Bitmap: a file's clusters free": (clear_bits, "overwritten"),
    "$Bitmap zeroed": (stream(6, "", 0, bytes(90)), "overwritten"),
    "$Bitmap: a cluster without an owner": (set_bit, "wasted"),
    "two files on one cluster": (share_clusters, "overwritten"),
    "$MFT's bitmap: a record free": (free_record, "overwritten"),
}
"""By the name of a damage: what it does, and the worst effect that we tell."""

ORDER = ("refused", "lost", "overwritten", "repaired", "wasted")


@pytest.mark.parametrize("name", CASES)
def test_volume_when_a_structure_is_damaged_then_what_its_driver_suffers_is_told(
    name: str, good: Good, tmp_path: Path
) -> None:
    """The effect is the one expected, and none is missing that ntfs-3g feels."""
    damage, expected = CASES[name]
    volume = VolumeBytes(bytearray(good.data))
    damage(volume, good)
    assert volume.data != good.data, "nothing was damaged"
    effects = {str(fault.effect) for fault in faults_of(examined(volume.data))}
    refused, listing = FAMILY.oracle(bytes(volume.data), tmp_path)
    if refused or listing != good.listing:
        assert effects & {"refused", "lost", "overwritten", "repaired"}
    assert next((effect for effect in ORDER if effect in effects), None) == expected


@pytest.mark.parametrize("name", CASES)
def test_examination_when_records_are_taken_one_by_one_then_it_is_the_same(
    name: str, good: Good, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Records taken by the thousand have no fault that one by one they would have."""
    volume = VolumeBytes(bytearray(good.data))
    CASES[name][0](volume, good)
    at_once = examined(volume.data)

    def none(  # as `taken_at_once`, of no record
        piece: bytes, size: int, number: int, wanted: NDArray[np.bool_], sizes: tuple[int, int]
    ) -> Taken:
        return taken_at_once(piece, size, number, np.zeros_like(wanted), sizes)

    monkeypatch.setattr(examine_table, "taken_at_once", none)
    singly = examined(volume.data)
    assert sorted(map(repr, faults_of(singly))) == sorted(map(repr, faults_of(at_once)))
    assert (singly.structure.compared, singly.structure.counts) == (
        at_once.structure.compared,
        at_once.structure.counts,
    )


def test_root_when_it_is_a_type_of_index_then_it_is_named() -> None:
    """Types that the table above uses are those of libfsntfs, 'Attribute types'."""
    assert struct.pack("<4I", DATA, ROOT, BLOCKS, BITMAP) == bytes.fromhex(
        "80000000 90000000 a0000000 b0000000"
    )


@pytest.mark.parametrize(
    ("pages", "offset", "expected"),
    [
        ((0,), 0, "repaired"),
        ((1,), 0, "repaired"),
        ((0, 1), 0, "refused"),
        ((0, 1), 16, "refused"),
        ((0, 1), 24, "refused"),
        ((0, 1), 510, "refused"),
        ((0,), 510, "repaired"),
    ],
)
def test_log_when_its_restart_pages_are_damaged_then_one_is_repaired_and_none_refused(
    pages: tuple[int, ...], offset: int, expected: str, tmp_path: Path
) -> None:
    """Signature, page size, place of the restart area, and torn: one whole page is enough.

    The log is that of a foreign image; ntfs-3g refuses to write without a whole page (logfile.c).
    """
    row = images()["grr-ntfs-img"]
    start = row["partition_table"]["partitions"][0]["start_lba"] * 512
    volume = VolumeBytes(bytearray(unpacked(row, tmp_path).read_bytes()[start:]))
    assert faults_of(examined(volume.data)) == []
    for page in pages:
        volume.flip(volume.system(2, "", 4096 * page) + offset, 1)
    assert {str(fault.effect) for fault in faults_of(examined(volume.data))} == {expected}


def test_examination_when_sectors_cannot_be_read_then_their_records_alone_are_lost(
    good: Good,
) -> None:
    """A bad sector in one record of the MFT leaves all others examined."""
    volume = VolumeBytes(bytearray(good.data))
    at, number = plain(volume), volume.find("a file 050")
    window = whole(MemoryDrive(good.data, bad=((at, at + 512),)))
    found = examine(window, "ntfs", lambda: None)
    assert found is not None
    faults = [fault for fault in faults_of(found) if fault.effect != "wasted"]
    assert [(fault.node, fault.field, fault.stored) for fault in faults] == [
        (number, "contents", "unreadable")
    ]


@pytest.mark.parametrize("number", [6, 9, 10])
def test_examination_when_a_system_stream_cannot_be_read_then_it_is_told(
    number: int, good: Good
) -> None:
    """Bad sectors in $Bitmap, $Secure and $UpCase are a fault of that file, or left out by name."""
    volume = VolumeBytes(bytearray(good.data))
    at = volume.system(number, "$SDS" if number == 9 else "")
    found = examine(whole(MemoryDrive(good.data, bad=((at, at + 512),))), "ntfs", lambda: None)
    assert found is not None
    assert {fault.node for fault in faults_of(found) if fault.stored == "unreadable"} == {number}


def test_examination_when_the_volume_is_cut_then_what_lies_behind_is_told(good: Good) -> None:
    """A partition that ends early: clusters of files lie outside what can be read."""
    found = examined(good.data[: len(good.data) // 2])
    assert {"refused", "lost"} & {str(fault.effect) for fault in faults_of(found)}


@pytest.mark.parametrize(
    ("module", "limit", "what"),
    [
        (examine_indexes, "MOST_INDEX_BYTES", "the index of folder record"),
        (examine_secure, "_MOST_STREAM_BYTES", "$Secure"),
    ],
)
def test_examination_when_a_structure_is_longer_than_is_read_then_it_is_left_out_by_name(
    module: ModuleType, limit: str, what: str, good: Good, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is too long may be whole: neither it nor what depends on it is reported as a fault."""
    monkeypatch.setattr(module, limit, 1_000)
    found = examined(good.data)
    assert faults_of(found) == []
    assert any(reason.startswith(what) for reason in found.structure.left_out)
