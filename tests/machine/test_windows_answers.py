"""What is read from the answers of Windows: structures written by hand, byte for byte.

The places of fields come from Microsoft's headers as MinGW-w64 ships them, asked through its
compiler; values are invented. Names of pages are those of Microsoft Learn.
"""

from __future__ import annotations

import struct
import subprocess
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.fake_windows import ata_identity, descriptor, nvme_identity
from verify.platforms.windows import answers
from verify.platforms.windows.answers import Extent, Named
from verify.platforms.windows.kernel import READING_CODES
from verify.platforms.windows.system_calls import GENERIC_READ
from verify.structs import windows_storage as tables
from verify.structs.base import Structure

if TYPE_CHECKING:
    from pathlib import Path

TABLES = [item for item in vars(tables).values() if isinstance(item, Structure)]
OF_WINDOWS = [item for item in TABLES if item.name.isupper()]
CODES = {name: value for name, value in vars(tables).items() if name[:6] in {"IOCTL_", "FSCTL_"}}

DESCRIPTOR = bytes.fromhex(
    "28000000 4c000000 00 00 00 01 00000000 28000000 00000000 38000000 0b000000 00000000 00000000"
    "51756972652039000000000000000000"  # "Quire 9" at byte 40
    "20202020202020202020202020204e45572d3100"  # a serial number filled with spaces, at byte 56
)
"""STORAGE_DEVICE_DESCRIPTOR of a SATA drive without a vendor, as its page has the fields."""


@pytest.mark.tools("x86_64-w64-mingw32-gcc")
def test_tables_when_held_against_the_headers_then_places_sizes_and_codes_agree(
    tmp_path: Path,
) -> None:
    """`offsetof`, the width of fields and control codes, by the compiler."""
    claims = [f"{name} == {value:#x}u" for name, value in CODES.items()]
    for table in OF_WINDOWS:
        for item in table.fields:
            name = "Geometry." if table is tables.DISK_GEOMETRY_EX and item.offset < 24 else ""
            name, size = name + item.name, struct.calcsize(item.code)
            claims.append(f"offsetof({table.name}, {name}) == {item.offset}")
            claims.append(f"sizeof((({table.name} *)0)->{name}) == {size}")
    claims.append(f"GENERIC_READ == {GENERIC_READ:#x}u")
    claims.append("offsetof(VOLUME_DISK_EXTENTS, Extents) == 8")
    claims.append(f"sizeof(DISK_EXTENT) == {tables.DISK_EXTENT.size}")
    assert len(claims) > 70
    text = "#include <windows.h>\n#include <winioctl.h>\n#include <stddef.h>\n"
    text += "\n".join(f'_Static_assert({claim}, "{claim}");' for claim in claims)
    file = tmp_path / "claims.c"
    for source, status in ((text, 0), (text + '\n_Static_assert(sizeof(int) == 3, "");', 1)):
        file.write_text(source)
        ran = subprocess.run(
            ["x86_64-w64-mingw32-gcc", "-fsyntax-only", str(file)],
            check=False,
            capture_output=True,
            text=True,
        )
        assert ran.returncode == status, ran.stderr


def test_codes_when_listed_then_none_writes_locks_or_dismounts() -> None:
    """CTL_CODE keeps the access in bits 14 and 15; 2 is FILE_WRITE_ACCESS (winioctl.h)."""
    assert set(CODES.values()) == READING_CODES
    assert all(not code >> 14 & 2 for code in READING_CODES)
    lock, dismount, offline = 0x90018, 0x90020, 0x56C00C
    assert not {lock, dismount, offline} & READING_CODES


def test_descriptor_when_read_then_texts_lose_what_fills_them() -> None:
    """The serial number of an ATA drive is filled with spaces in front (ACS-3, words 10 to 19)."""
    assert answers.named(DESCRIPTOR) == Named(
        model="Quire 9", serial="NEW-1", bus="sata", removable=False
    )


@pytest.mark.parametrize(
    ("drive", "expected"),
    [
        (
            {"vendor": "Foolscap", "product": "Stick 3", "serial": "BRIDGE", "bus": 7},
            ("Foolscap Stick 3", "BRIDGE", None, "usb"),
        ),
        ({"vendor": "NVMe", "product": "Vellum", "bus": 17}, ("Vellum", None, None, "nvme")),
        ({"vendor": "ATA     ", "product": "Ream", "bus": 3}, ("Ream", None, None, "sata")),
        (
            {"product": "V", "serial": "0025_38C2_11B0_12AF.", "bus": 17},
            ("V", None, "eui.002538c211b012af", "nvme"),
        ),
        ({"product": "R", "serial": "S", "bus": 8}, ("R", "S", None, "raid")),
        ({"product": "Q", "serial": "\x01\x02", "bus": 11}, ("Q", None, None, "sata")),
        ({"bus": 99}, (None, None, None, None)),
    ],
)
def test_descriptor_when_of_several_buses_then_names_are_as_printed(
    drive: dict[str, object], expected: tuple[str | None, ...]
) -> None:
    """Vendors that are no names are left out; an EUI-64 is no serial number."""
    told = answers.named(descriptor(drive))
    assert (told.model, told.serial, told.wwn, told.bus) == expected


def test_serial_when_in_hexadecimal_and_swapped_then_it_is_turned() -> None:
    """Forty digits are twenty characters; a number that only looks so on USB stays."""
    swapped = "454e2d572031" + "2020" * 7  # EN -W _1, and spaces
    for bus, serial in ((11, "NEW-1"), (3, "NEW-1"), (7, swapped), (17, swapped)):
        assert answers.named(descriptor({"serial": swapped, "bus": bus})).serial == serial
    binary = "ff" * 20
    assert answers.named(descriptor({"serial": binary, "bus": 11})).serial == binary


def test_identification_when_read_then_the_drives_own_names_are_told() -> None:
    """ATA's characters are swapped in each word, NVMe's are not; other protocols give no number."""
    ata, nvme = ata_identity("NEW-1", "Quire 9"), nvme_identity("V-77", "Vellum 2")
    assert answers.identified(ata, 2) == Named(model="Quire 9", serial="NEW-1")
    assert answers.identified(nvme, 3) == Named(model="Vellum 2", serial="V-77")
    assert answers.identified(nvme, 2) == answers.identified(ata, 3) == Named()
    assert answers.identified(ata[:-1], 2) == Named()


def test_sectors_when_read_then_impossible_ones_are_not_told() -> None:
    """STORAGE_ACCESS_ALIGNMENT_DESCRIPTOR and DISK_GEOMETRY_EX; a sector is a power of two."""
    assert answers.sectors(struct.pack("<7I", 28, 28, 64, 0, 512, 4096, 0)) == (512, 4096)
    assert answers.sectors(struct.pack("<7I", 28, 28, 64, 0, 0, 4095, 0)) == (None, None)
    geometry = struct.pack("<qIIIIq", 1, 12, 255, 63, 4096, 1 << 40)
    assert answers.geometry(geometry) == (4096, 1 << 40)
    assert answers.geometry(geometry[:-1]) == (None, None)


def test_extents_when_more_are_counted_than_there_are_then_those_that_are_there_count() -> None:
    """VOLUME_DISK_EXTENTS of a volume that spans two drives."""
    rows = struct.pack("<I4xqq", 0, 1 << 20, 5 << 30) + struct.pack("<I4xqq", 2, 0, 1 << 30)
    whole = (Extent(0, 1 << 20, 5 << 30), Extent(2, 0, 1 << 30))
    assert answers.extents(struct.pack("<I4x", 2) + rows) == whole
    assert answers.extents(struct.pack("<I4x", 0xFFFFFFFF) + rows) == whole
    assert answers.extents(struct.pack("<I4x", 1) + rows) == whole[:1]
    assert answers.extents(struct.pack("<I4x", 2) + rows[:-1]) == whole[:1]
    assert answers.extents(b"") == ()


@given(st.binary(max_size=200))
def test_answers_when_garbage_then_nothing_is_raised(answer: bytes) -> None:
    """A driver's answer is as foreign as a drive's sectors."""
    answers.named(answer)
    answers.sectors(answer)
    answers.geometry(answer)
    answers.extents(answer)
    answers.device_number(answer)
    answers.length(answer)
    for protocol in (2, 3):
        answers.identified(answer, protocol)
    for ask in (answers.rotates, answers.takes_trim):
        assert ask(answer) in {None, True, False}
