"""Recovery configuration and image headers: a real file, made ones, and hostile XML."""

from __future__ import annotations

import codecs
import json
import struct
import time
from pathlib import Path
from uuid import UUID

import pytest

from verify.boot.reagent import read_recovery_config
from verify.boot.wim import read_image
from verify.errors import StructureError

DATA = Path(__file__).parent / "data"

ENABLED = """<?xml version='1.0' encoding='utf-8'?>
<WindowsRE version="2.0">
  <WinreBCD id="{AAAAAAA3-0000-11ee-8000-00155d000001}"/>
  <WinreLocation path="\\Recovery\\WindowsRE" id="0" offset="497315479552"
    guid="{11111111-2222-3333-4444-555555555501}"/>
  <ImageLocation path="" id="0" offset="0" guid="{00000000-0000-0000-0000-000000000000}"/>
  <PBRImageLocation path="\\Images" id="3735928321" offset="1048576"
    guid="{00000000-0000-0000-0000-000000000000}" index="2"/>
  <InstallState state="1"/>
  <WinREStaged state="0"/>
</WindowsRE>
"""
DISABLED = """<WindowsRE version="2.0">
  <WinreBCD id="{00000000-0000-0000-0000-000000000000}"/>
  <WinreLocation path="" id="0" offset="0" guid="{00000000-0000-0000-0000-000000000000}"/>
  <InstallState state="0"/>
</WindowsRE>
"""


# --- recovery configuration -------------------------------------------------------------------


def test_recovery_when_it_is_real_then_every_field_is_what_another_parser_reads(
    corpus: Path,
) -> None:
    """A real file with a byte-order mark: each element of it as xml.etree gives it."""
    with (corpus / "expected.json").open() as file:
        figures = json.load(file)["images"]["xml-ReAgent-a"]["reagent"]
    config = read_recovery_config((corpus / "xml-ReAgent-a.xml").read_bytes(), "/x")
    fields = figures["fields"]
    assert config.version == figures["version"]
    assert config.enabled is (fields["InstallState"]["state"] == "1")
    assert config.store_object == str(UUID(fields["WinreBCD"]["id"])).upper()
    places = {name: value for name, value in fields.items() if "offset" in value}
    assert [item.element for item in config.locations] == list(places)
    for item in config.locations:
        place = places[item.element]
        assert item.path == place["path"]
        assert item.offset == int(place["offset"])
        assert item.id == int(place["id"])
        assert item.guid is None
        assert item.index == (int(place["index"]) if "index" in place else None)
        assert item.given == (place["offset"] != "0")
    said = {(item.name, item.attribute): item.value for item in config.settings}
    assert said == {
        (name, attribute): value
        for name, values in fields.items()
        for attribute, value in values.items()
        if name not in places and name not in ("InstallState", "WinreBCD")
    }
    location = config.location()
    assert location is not None
    assert location.signature == f"{3050800051:08X}" == "B5D783B3"


def test_recovery_when_it_is_enabled_on_gpt_then_offset_and_disk_come_out() -> None:
    """497,315,479,552 is byte 971,319,296 * 512 of a worked 500 GB layout."""
    config = read_recovery_config(ENABLED.encode())
    location = config.location()
    assert location is not None
    assert location.offset == 971_319_296 * 512
    assert location.guid == "11111111-2222-3333-4444-555555555501"
    assert location.signature is None
    assert config.store_object == "AAAAAAA3-0000-11EE-8000-00155D000001"
    assert config.enabled is True
    pbr = config.location("PBRImageLocation")
    assert pbr is not None
    assert (pbr.index, pbr.signature, pbr.given) == (2, "DEADBE01", True)


def test_recovery_when_it_is_disabled_then_nothing_is_set_and_that_is_no_error() -> None:
    """Zero GUIDs, offset 0 and an empty path are how a disabled state is stored."""
    config = read_recovery_config(DISABLED.encode())
    assert config.enabled is False
    assert config.store_object is None
    assert not any(item.given for item in config.locations)


@pytest.mark.parametrize(
    ("how", "data"),
    [
        ("utf-8", ENABLED.encode()),
        ("utf-8 with mark", codecs.BOM_UTF8 + ENABLED.encode()),
        ("utf-16 with mark", ENABLED.encode("utf-16")),
        ("utf-16be with mark", codecs.BOM_UTF16_BE + ENABLED.encode("utf-16-be")),
        ("utf-16 without mark", ENABLED.replace("utf-8", "utf-16").encode("utf-16-le")),
        ("carriage returns", ENABLED.replace("\n", "\r\n").encode()),
    ],
)
def test_recovery_when_its_encoding_differs_then_it_reads_the_same(how: str, data: bytes) -> None:
    """UTF-8 and UTF-16, with a byte-order mark or not; the mark wins over the declaration."""
    assert read_recovery_config(data) == read_recovery_config(ENABLED.encode()), how


@pytest.mark.parametrize("number", ["", "abc", "-1", "1.5", "0x10", "٣", "9" * 30, " 1"])
def test_recovery_when_a_number_is_no_number_then_it_is_absent(number: str) -> None:
    """Odd text in an offset is nothing that could be held against a drive."""
    config = read_recovery_config(ENABLED.replace("497315479552", number).encode())
    location = config.location()
    assert location is not None
    assert location.offset is None


def bomb() -> bytes:
    """Ten entities, each ten times the one before."""
    lines = ['<!DOCTYPE WindowsRE [<!ENTITY a0 "aaaaaaaaaa">']
    lines += [f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10)]
    return "\n".join([*lines, ']><WindowsRE version="&a9;"/>']).encode()


@pytest.mark.parametrize(
    ("what", "data"),
    [
        ("entity bomb", bomb()),
        ("entity bomb in UTF-16", bomb().decode().encode("utf-16")),
        (
            "external entity",
            (
                b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>'
                b'<WindowsRE version="2.0"><a>&e;</a></WindowsRE>'
            ),
        ),
        ("external document type", b'<!DOCTYPE WindowsRE SYSTEM "http://192.0.2.1/x"><WindowsRE/>'),
        ("undeclared entity", b"<WindowsRE>&e;</WindowsRE>"),
        ("cut", ENABLED.encode()[:300]),
        ("empty", b""),
        ("zeros", bytes(1024)),
        ("text", b"no XML"),
        ("another document", b"<Other/>"),
        ("two roots", b"<WindowsRE/><WindowsRE/>"),
        ("encoding nobody knows", b"<?xml version='1.0' encoding='x-none'?><WindowsRE/>"),
        ("half a character", codecs.BOM_UTF16_LE + b"<"),
        ("not its encoding", b"<?xml version='1.0' encoding='utf-8'?><WindowsRE a='\xff'/>"),
        ("too large", DISABLED.encode().ljust((64 << 10) + 1)),
    ],
)
def test_recovery_when_it_is_hostile_or_damaged_then_a_named_error_at_once(
    what: str, data: bytes
) -> None:
    """Nothing is expanded, nothing is fetched, nothing but our own error comes out."""
    started = time.monotonic()
    with pytest.raises(StructureError):
        read_recovery_config(data)
    assert time.monotonic() - started < 1, what


def test_recovery_when_it_fills_the_cap_then_it_is_read() -> None:
    """64 KiB are read, with elements as deep and as many as fit."""
    assert read_recovery_config(DISABLED.encode().ljust(64 << 10)).enabled is False
    deep = b"<WindowsRE>" + b"<a>" * 9_000 + b"</a>" * 9_000 + b"</WindowsRE>"
    assert read_recovery_config(deep).locations == ()
    assert read_recovery_config(b"<WindowsRE>" + b"<a b=''/>" * 7_000 + b"</WindowsRE>").settings


# --- image headers ----------------------------------------------------------------------------


def test_image_when_an_archiver_wrote_it_then_its_listing_says_the_same() -> None:
    """tests/boot/data: volume 1 of 1, one image, 1,943 bytes; the XML ends the file."""
    data = (DATA / "small.wim").read_bytes()
    image = read_image(data[:208], "/Recovery/WindowsRE/Winre.wim", len(data))
    assert image.problem is None
    assert (image.part_number, image.total_parts, image.image_count) == (1, 1, 1)
    assert image.version == 0x00010D00
    assert image.resources_end == len(data) == 1_943


def test_image_when_it_is_cut_then_what_lies_behind_its_end_is_said() -> None:
    """One byte less than the header needs."""
    data = (DATA / "small.wim").read_bytes()
    image = read_image(data[:208], "/x.wim", len(data) - 1)
    assert image.problem == "its xml data would end at byte 1943 of 1942"
    assert read_image(data[:208], "/x.wim", 1_246).problem is not None
    assert read_image(data[:208], "/x.wim").problem is None


@pytest.mark.parametrize(
    ("offset", "code", "value", "said"),
    [
        (8, "<I", 96, "96 bytes long"),
        (16, "<I", 0x40, "never finished"),
        (48, "<QQ", (0, 0), "no resource table"),
        (56, "<Q", 1 << 63, "resource table would end"),
    ],
)
def test_image_when_its_header_cannot_be_right_then_that_is_said(
    offset: int, code: str, value: int | tuple[int, ...], said: str
) -> None:
    """Header length, unfinished writing, no table, a table far behind the end."""
    data = bytearray((DATA / "small.wim").read_bytes())
    struct.pack_into(code, data, offset, *(value if isinstance(value, tuple) else (value,)))
    image = read_image(bytes(data[:208]), "/x.wim", len(data))
    assert image.problem is not None
    assert said in image.problem


@pytest.mark.parametrize("head", [b"", bytes(208), b"MSWIM\0\0\0", b"PK\3\4" * 60])
def test_image_when_it_is_no_image_then_that_is_said(head: bytes) -> None:
    """Empty, zeroed, cut in its header, something else."""
    assert read_image(head, "/x.wim", 10_000).problem
