"""Files held to their own formats: real ones are whole, damaged ones are reported.

Oracles: hivex opens or refuses a hive; pefile works out a program's checksum; 7-Zip wrote the
image (tests/boot/data). Real hives come from the foreign collection.
"""

from __future__ import annotations

import lzma
import struct
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pefile
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.boot.hives import REG_SZ, HiveKey, text, write_hive
from verify.boot.collect import wanted_file
from verify.boot.form_reading import STEP_BYTES
from verify.boot.forms import examine_form
from verify.structs.regf import base_block_checksum

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.boot.file_form import FileForm, Form

WIM = (Path(__file__).parent / "data" / "small.wim").read_bytes()
PAGE = 4096


def held(data: bytes, form: Form, *, whole: bool = True) -> FileForm:
    """Hold bytes to a format, and hold the reader to its bounds."""

    def read(offset: int, length: int) -> bytes:
        assert 0 < length <= STEP_BYTES
        assert offset + length <= len(data)
        return data[offset : offset + length]

    found = examine_form("/x", form, len(data), read, whole=whole)
    assert found.size_bytes == len(data)
    return found


def big_hive() -> bytes:
    """Return a hive of one bin of several pages."""
    root = HiveKey("ROOT")
    for number in range(200):
        root.add(f"Key{number:03}").set("Value", REG_SZ, text("x" * 100))
    return write_hive(root)


def in_bins(data: bytes) -> bytes:
    """Return a hive with a second bin behind its first, which is one free cell."""
    bins = len(data) - PAGE
    more = struct.pack("<4sIIIIQI", b"hbin", bins, PAGE, 0, 0, 0, 0)
    more += struct.pack("<i", PAGE - 32) + bytes(PAGE - 36)
    head = bytearray(data[:PAGE])
    struct.pack_into("<I", head, 40, bins + PAGE)
    struct.pack_into("<I", head, 508, base_block_checksum(bytes(head)))
    return bytes(head) + data[PAGE:] + more


def hivex_opens(data: bytes, folder: Path) -> bool:
    """Whether hivex reads the root's keys."""
    path = folder / "hive"
    path.write_bytes(data)
    done = subprocess.run(
        ["hivexsh", str(path)], input="ls\n", capture_output=True, text=True, check=False
    )
    return done.returncode == 0


# --- hives ------------------------------------------------------------------------------------


def test_hives_when_they_are_real_then_they_are_whole(corpus: Path) -> None:
    """Boot stores and a system hive that Windows wrote."""
    for path in sorted(corpus.glob("bcd-*.bcd")):
        assert held(path.read_bytes(), "hive").faults == (), path.name
    system = lzma.decompress((corpus / "hive-SYSTEM-win.hiv.xz").read_bytes())
    assert held(system, "hive").faults == ()


@pytest.mark.tools("hivexsh")
def test_hive_when_it_is_made_here_then_hivex_reads_it_and_it_is_whole(tmp_path: Path) -> None:
    """Also with a second bin, and with bytes behind its last, as registries that shrank have."""
    for data in (big_hive(), in_bins(big_hive()), big_hive() + bytes(PAGE)):
        assert hivex_opens(data, tmp_path)
        assert held(data, "hive").faults == ()


def zeroed(data: bytes, start: int, length: int) -> bytes:
    """Return bytes with a range of zeros."""
    return data[:start] + bytes(length) + data[start + length :]


def with_head(data: bytes, code: str, place: int, value: int) -> bytes:
    """Return a hive with another number in its base block, and the right checksum of it."""
    head = bytearray(data)
    struct.pack_into(code, head, place, value)
    struct.pack_into("<I", head, 508, base_block_checksum(bytes(head)))
    return bytes(head)


HIVE_DAMAGE: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "zeros": (lambda data: bytes(len(data)), "is all zeros"),
    "base block": (lambda data: zeroed(data, 0, PAGE), "no registry header"),
    "cut": (lambda data: data[:-PAGE], "by its header"),
    "checksum": (lambda data: data[:12] + b"\1" + data[13:], "has the checksum"),
    "first bin": (lambda data: zeroed(data, PAGE, PAGE), "no hive bin at byte 4096"),
    "second bin": (lambda data: zeroed(data, len(data) - PAGE, PAGE), "no hive bin"),
    "cells": (lambda data: zeroed(data, 2 * PAGE, PAGE), "damaged cell"),
    "bin's place": (lambda data: data[: PAGE + 4] + b"\1" + data[PAGE + 5 :], "contradicts"),
    "root": (lambda data: with_head(data, "<I", 36, 0x40), "no root key"),
}


@pytest.mark.parametrize("name", HIVE_DAMAGE)
def test_hive_when_a_part_is_damaged_then_it_is_told(name: str) -> None:
    """One damage each to a hive of two bins."""
    damage, said = HIVE_DAMAGE[name]
    whole = in_bins(big_hive())
    assert held(whole, "hive").faults == ()
    faults = held(damage(whole), "hive").faults
    assert said in faults[0]


@pytest.mark.tools("hivexsh")
@pytest.mark.parametrize("name", ["zeros", "base block", "checksum", "first bin"])
def test_hive_when_it_is_told_then_hivex_refuses_it_as_well(name: str, tmp_path: Path) -> None:
    """Those of the damages above that hivex looks for."""
    assert not hivex_opens(HIVE_DAMAGE[name][0](in_bins(big_hive())), tmp_path)


def test_hive_when_its_sequence_numbers_differ_then_it_is_dirty_and_whole() -> None:
    """It is left to the rule whether a log is there."""
    found = held(with_head(big_hive(), "<I", 4, 9), "hive")
    assert (found.dirty, found.faults) == (True, ())


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_any_format_when_bytes_are_damaged_then_there_is_an_answer(data: st.DataObject) -> None:
    """Never an exception, never a read outside of the file."""
    form: Form = data.draw(st.sampled_from(["hive", "program", "image", "xml", "text"]))
    whole = {"hive": in_bins(big_hive()), "program": program(), "image": WIM}.get(form, b"<a/>")
    changed = bytearray(whole[: data.draw(st.integers(0, len(whole)))])
    for _ in range(data.draw(st.integers(0, 8))):
        if changed:
            at = data.draw(st.integers(0, min(len(changed), 4400) - 1))
            changed[at] = data.draw(st.integers(0, 255))
    held(bytes(changed), form)


# --- programs ---------------------------------------------------------------------------------


def program(*, tail: bytes = b"", sections: int = 1, raw_end: int = 0x600) -> bytes:
    """Return a PE32+ image with one section, after Microsoft's "PE Format"."""
    head = bytearray(0x400)
    head[0:2] = b"MZ"
    struct.pack_into("<I", head, 0x3C, 0x80)
    struct.pack_into("<4sHHIIIHH", head, 0x80, b"PE\0\0", 0x8664, sections, 0, 0, 0, 240, 0x22)
    struct.pack_into("<H", head, 0x98, 0x20B)
    struct.pack_into("<II", head, 0x98 + 32, 0x1000, 0x200)
    struct.pack_into("<II", head, 0x98 + 56, 0x2000, 0x400)
    struct.pack_into("<H", head, 0x98 + 68, 1)
    struct.pack_into("<I", head, 0x98 + 108, 16)
    section = struct.pack("<8sIIII", b".text", 0x200, 0x1000, raw_end - 0x400, 0x400)
    head[0x98 + 240 : 0x98 + 240 + len(section)] = section
    return bytes(head) + bytes(range(256)) * 2 + tail


def signed(data: bytes) -> bytes:
    """Return a program with the checksum that pefile works out."""
    checksum = pefile.PE(data=data).generate_checksum()
    return data[: 0x98 + 64] + struct.pack("<I", checksum) + data[0x98 + 68 :]


@pytest.mark.parametrize("tail", [b"", b"odd", b"\xff" * 70_001, bytes(9)])
def test_program_when_pefile_sets_its_checksum_then_it_is_whole(tail: bytes) -> None:
    """And with any other byte it is not."""
    data = signed(program(tail=tail))
    found = held(data, "program")
    assert (found.form, found.machine, found.faults) == ("program", "x64", ())
    broken = data[:-1] + bytes([data[-1] ^ 1])
    (fault,) = held(broken, "program").faults
    assert "has the checksum" in fault
    assert held(broken, "program", whole=False).faults == ()


def test_program_when_microsofts_linker_made_it_then_its_checksum_fits() -> None:
    """The launchers that pip brings, where it is installed: stored checksums are the oracle."""
    folder = Path(pytest.importorskip("pip").__file__).parent / "_vendor" / "distlib"
    stored = 0
    for path in folder.glob("*.exe"):
        data = path.read_bytes()
        assert held(data, "program").faults == (), path.name
        stored += pefile.PE(data=data).OPTIONAL_HEADER.CheckSum > 0
    assert stored or not list(folder.glob("*.exe"))


def test_program_when_it_is_cut_then_its_section_lies_outside() -> None:
    """A driver of which only the first sectors were copied."""
    data = program()
    assert held(data, "program").faults == ()
    (fault,) = held(data[:-1], "program").faults
    assert "ends at byte 1536 of 1535" in fault
    (fault,) = held(program(sections=999), "program").faults
    assert "999 sections" in fault


def test_program_when_its_header_is_gone_then_it_has_no_form_or_no_signature() -> None:
    """All zeros are not a program; a 16-bit stub is not one either, but no fault."""
    assert held(bytes(9000), "program").form is None
    assert held(b"\xe9stub" + bytes(600), "program").form is None
    (fault,) = held(zeroed(program(), 0x80, 64), "program").faults
    assert "no PE signature at byte 128" in fault


# --- images and configurations ----------------------------------------------------------------


def test_image_when_an_archiver_wrote_it_then_it_is_whole() -> None:
    """7-Zip's, whose rows and boot index are in bounds."""
    found = held(WIM, "image")
    assert (found.form, found.faults, found.boot_index) == ("image", (), 0)


def test_image_when_a_row_or_the_boot_index_leads_nowhere_then_it_is_told() -> None:
    """SPEC: Microsoft's WIM white paper: rows of 50 bytes, the boot index at byte 120."""
    (table,) = struct.unpack_from("<Q", WIM, 56)
    broken = bytearray(WIM)
    struct.pack_into("<Q", broken, table + 8, 1 << 40)
    (fault,) = held(bytes(broken), "image").faults
    assert "would end at byte" in fault
    broken = bytearray(WIM)
    struct.pack_into("<I", broken, 120, 7)
    assert held(bytes(broken), "image").faults == ("starts image 7 of 1",)
    (fault,) = held(zeroed(WIM, table, 50), "image").faults
    assert "empty row" in fault
    assert held(bytes(5000), "image").faults == ("is damaged: its header is all zeros",)


@pytest.mark.parametrize(
    ("data", "form", "said"),
    [
        (b"<?xml version='1.0'?><a><b/></a>", "xml", None),
        ("<a>\xe4</a>".encode("utf-16"), "xml", None),
        (b"<a><b></a>", "xml", "not well-formed XML"),
        (b"<a>" + bytes(30), "xml", "not well-formed XML"),
        (bytes(1096), "xml", "not well-formed XML"),
        (b"", "xml", "is empty"),
        (b"UUID=1234 / ext4 defaults 0 1\n", "text", None),
        ("[boot loader]".encode("utf-16"), "text", None),
        (b"UUID=1234 / ext4\n" + bytes(9), "text", "byte 17 is zero"),
        (b"", "text", "is empty"),
    ],
)
def test_configuration_when_it_is_parsed_then_only_damage_is_told(
    data: bytes, form: Form, said: str | None
) -> None:
    """XML is parsed as XML 1.0 has it; a text has no zero bytes (common practice)."""
    faults = held(data, form).faults
    assert faults == () if said is None else said in faults[0]


def test_xml_when_it_has_a_document_type_then_nothing_is_expanded_or_said() -> None:
    """Entities that expand endlessly need one."""
    found = held(b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>', "xml")
    assert (found.form, found.faults, found.unread) == (None, (), None)


# --- which files ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "kind", "form"),
    [
        ("/Users/mira/NTUSER.DAT", "ntfs", "hive"),
        ("/Users/mira/AppData/Local/Microsoft/Windows/UsrClass.dat", "ntfs", "hive"),
        ("/Documents and Settings/Mira/NTUSER.DAT", "ntfs", "hive"),
        ("/Windows/System32/config/software", "ntfs", "hive"),
        ("/EFI/Microsoft/Boot/BCD", "fat32", "hive"),
        ("/Windows/System32/ntoskrnl.exe", "ntfs", "program"),
        ("/Windows/System32/winlogon.exe", "ntfs", "program"),
        ("/Windows/System32/drivers/tcpip.sys", "ntfs", "program"),
        ("/Recovery/WindowsRE/Winre.wim", "ntfs", "image"),
        ("/Windows/Panther/unattend.xml", "ntfs", "xml"),
        ("/boot.ini", "ntfs", "text"),
        ("/etc/fstab", "ext4", "text"),
        ("/boot/grub/grub.cfg", "ext4", "text"),
        ("/Users/mira/report.docx", "ntfs", None),
    ],
)
def test_files_when_they_are_needed_to_start_or_log_in_then_they_are_held(
    path: str, kind: str, form: Form | None
) -> None:
    """The tables of `verify.boot.collect`, by example."""
    wanted = wanted_file(path, kind)
    assert (wanted.form if wanted else None) == form
