"""Dynamic disks: the group that a drive belongs to, from databases built by the kernel's layout.

No free program makes one, and no foreign image is at hand: built here after Linux
block/partitions/ldm.c and libldm's structures, which two readers agree on.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from tests.support.drives import MemoryDrive
from verify.filesystem.opaque.ldm import recognise_ldm_drive, recognise_ldm_metadata
from verify.filesystem.recognise import recognise
from verify.source.window import Window

if TYPE_CHECKING:
    from verify.filesystem.careful_reading import Described

SECTOR, DATABASE_BYTES = 512, 1 << 20
GROUP = "5a0c0ffe-0000-4000-8000-000000000001"
METADATA_TYPE = "5808C8AA-7E8F-42E0-85D2-E1E90434CFB3"


def private_header(start_sector: int) -> bytes:
    """Return a PRIVHEAD that names a database at that sector."""
    data = bytearray(SECTOR)
    data[:8] = b"PRIVHEAD"
    data[176 : 176 + len(GROUP)] = GROUP.encode()
    struct.pack_into(">QQ", data, 299, start_sector, DATABASE_BYTES // SECTOR)
    return bytes(data)


def record(sequence: int, kind: int, name: str, part: tuple[int, int] = (0, 1)) -> bytes:
    """Return a VBLK of 128 bytes with an identifier of two bytes and a name."""
    body = b"\x02\x04\x01" + bytes([len(name)]) + name.encode() + bytes(16)
    head = struct.pack(">4sIIHH", b"VBLK", sequence, sequence, *part)
    return (head + struct.pack(">HBBI", 0, 0, kind, len(body)) + body).ljust(128, b"\0")


def database(records: list[bytes], disks: int) -> bytes:
    """Return a database of 1 MiB."""
    data = bytearray(DATABASE_BYTES)
    at = 17 * SECTOR
    struct.pack_into(">4sIIIHHH", data, at, b"VMDB", len(records) + 4, 128, 512, 1, 4, 10)
    data[at + 22 : at + 22 + 9] = b"BenchDg0\0"
    data[at + 53 : at + 53 + len(GROUP)] = GROUP.encode()
    struct.pack_into(">IIII", data, at + 133, 2, 2, 3, disks)
    for number, one in enumerate(records):
        place = at + 512 + number * 128
        data[place : place + 128] = one
    return bytes(data)


RECORDS = [
    record(4, 0x51, "Volume1"),
    record(5, 0x34, "Disk1"),
    record(6, 0x33, "Disk1-01"),
    record(7, 0x44, "Disk2"),
    record(7, 0x44, "rest of it", part=(1, 2)),
]


def window(data: bytes) -> Window:
    """Return a window over bytes."""
    return Window(MemoryDrive(data), 0, len(data), SECTOR)


def on_mbr(records: list[bytes], disks: int) -> Described | None:
    """Recognise a drive of 2 MiB whose last MiB is the database."""
    drive = bytearray(1 << 20)
    drive[6 * SECTOR : 7 * SECTOR] = private_header(len(drive) // SECTOR)
    return recognise_ldm_drive(window(bytes(drive) + database(records, disks)))


def on_gpt(records: list[bytes], disks: int) -> Described | None:
    """Recognise a metadata partition, whose last sector is a private header."""
    data = database(records, disks)
    return recognise_ldm_metadata(window(data[:-SECTOR] + private_header(34)))


@pytest.mark.parametrize("place", [on_mbr, on_gpt])
def test_ldm_when_there_is_a_database_then_the_group_and_its_disks_are_told(place: object) -> None:
    """The group's identifier and name, how many disks, and what they are called."""
    found = place(RECORDS, 2)  # type: ignore[operator]
    assert found is not None
    group = found.describe()
    assert (group.kind, group.id, group.label) == ("ldm", GROUP, "BenchDg0")
    assert group.features == ("devices-2",)
    assert group.members == ("Disk1", "Disk2")


def test_ldm_when_the_database_is_gone_then_the_header_still_names_the_group() -> None:
    """Zeros where the database should be."""
    drive = bytearray(1 << 20)
    drive[6 * SECTOR : 7 * SECTOR] = private_header(1024)
    found = recognise_ldm_drive(window(bytes(drive)))
    assert found is not None
    assert (found.describe().id, found.describe().members) == (GROUP, ())


@pytest.mark.parametrize("size", [0, 1, 23, 0xFFFFFFFF])
def test_ldm_when_a_record_has_no_sense_then_there_is_an_answer(size: int) -> None:
    """Lengths that no database has: nothing raises, nothing is read for ever."""
    data = bytearray(database(RECORDS, 2))
    struct.pack_into(">II", data, 17 * SECTOR + 4, 0xFFFFFFFF, size)
    found = recognise_ldm_metadata(window(bytes(data)[:-SECTOR] + private_header(34)))
    assert found is not None
    assert found.describe().members == ()


def test_recognise_when_the_partition_is_ldm_s_then_its_type_leads_to_the_database() -> None:
    """And where nothing is in it the type alone says what it is."""
    data = database(RECORDS, 2)[:-SECTOR] + private_header(34)
    assert recognise(window(data), type_code=METADATA_TYPE).members == ("Disk1", "Disk2")
    empty = recognise(window(bytes(len(data))), type_code=METADATA_TYPE)
    assert (empty.kind, empty.members) == ("ldm", ())
