"""Start-up entries: read as an independent program writes them, and whatever their bytes are."""

from __future__ import annotations

import os
import struct
import subprocess
from typing import TYPE_CHECKING
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.images import ESP_TYPE, GptTable, make_gpt_drive
from tests.table.layouts import Entry
from verify.platforms.linux.efi import parse_load_option, read_firmware

if TYPE_CHECKING:
    from pathlib import Path

DISK = "0AC0FFEE-0000-4000-8000-00000000000D"
ESP = "0AC0FFEE-0000-4000-8000-000000000001"
VENDOR = "8be4df61-93ca-11d2-aa0d-00e098032b8c"  # UEFI 2.10, section 3.3


def node(kind: int, sub: int, data: bytes) -> bytes:
    """Return a device path node (UEFI 2.10, section 10.2)."""
    return struct.pack("<BBH", kind, sub, 4 + len(data)) + data


def hard_drive(signature: bytes, kind: int) -> bytes:
    """Return a hard drive node (UEFI 2.10, section 10.3.5.1)."""
    return node(4, 1, struct.pack("<IQQ", 1, 2048, 65536) + signature + bytes([2, kind]))


END = node(0x7F, 0xFF, b"")


def option(path: bytes, words: str = "Quire", attributes: int = 1, more: bytes = b"") -> bytes:
    """Return an EFI_LOAD_OPTION (UEFI 2.10, section 3.1.3)."""
    text = words.encode("utf-16-le") + b"\0\0"
    return struct.pack("<IH", attributes, len(path)) + text + path + more


def test_option_when_it_names_a_partition_by_guid_then_guid_and_file_are_told() -> None:
    """Nodes of hardware stand before it; data of the loader's own behind the path."""
    file = node(4, 4, "\\EFI\\quire\\start.efi\0".encode("utf-16-le"))
    hardware = node(2, 1, bytes(8)) + node(1, 1, b"\x00\x1f")
    path = hardware + hard_drive(UUID(ESP).bytes_le, 2) + file + END
    entry = parse_load_option("0003", option(path, more=b"\x01\x02"))
    assert (entry.partition, entry.file) == (ESP, "\\EFI\\quire\\start.efi")
    assert (entry.number, entry.description, entry.active) == ("0003", "Quire", True)
    assert entry.problem is None


def test_option_when_it_names_a_partition_by_mbr_then_its_signature_is_told() -> None:
    """Stored little-endian, told as a disk's signature is; an entry that is switched off."""
    signature = struct.pack("<I", 0x00C0FFEE) + bytes(12)
    entry = parse_load_option("0000", option(hard_drive(signature, 1) + END, attributes=0))
    assert (entry.partition, entry.active) == ("00C0FFEE", False)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\1\0\0\0\4",
        option(END)[:-5],
        struct.pack("<IH", 1, 4) + b"Q\0u\0",
        option(struct.pack("<BBH", 4, 1, 3)),
        option(struct.pack("<BBH", 4, 1, 400) + bytes(38)),
        option(node(4, 1, bytes(10)) + END),
    ],
    ids=["empty", "short-head", "short-path", "endless-text", "node-3", "node-400", "short-drive"],
)
def test_option_when_it_is_damaged_then_the_problem_is_told_and_no_partition(data: bytes) -> None:
    """What the firmware keeps is foreign, too."""
    entry = parse_load_option("0001", data)
    assert entry.problem is not None
    assert entry.partition is None


@given(st.binary(max_size=300))
def test_option_when_its_bytes_are_any_then_it_is_an_entry(data: bytes) -> None:
    """Nothing is raised, and no text of more than its bytes is reported."""
    entry = parse_load_option("0001", data)
    assert len(entry.description) <= len(data)


@pytest.mark.root
@pytest.mark.tools("efibootmgr", "losetup")
def test_firmware_when_another_program_wrote_it_then_it_is_read_as_that_program_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Efibootmgr makes two entries for a partition of a real GPT, into a folder of variables."""
    folder = tmp_path / "firmware/efi/efivars"
    folder.mkdir(parents=True)
    table = GptTable(131_072, DISK, {1: Entry(2048, 67_583, ESP_TYPE, ESP, "start")})
    image = make_gpt_drive(tmp_path / "drive.img", table, {})
    monkeypatch.setenv("EFIVARFS_PATH", f"{folder}{os.sep}")
    loop = subprocess.run(
        ["losetup", "--find", "--show", str(image)], check=True, capture_output=True, text=True
    ).stdout.strip()
    try:
        for words, file in (("Quire one", "\\EFI\\a.efi"), ("Quire two", "\\EFI\\b\\b.efi")):
            subprocess.run(
                ["efibootmgr", "-q", "-c", "-d", loop, "-p", "1", "-L", words, "-l", file],
                check=True,
            )
    finally:
        subprocess.run(["losetup", "--detach", loop], check=True)
    (folder / f"BootCurrent-{VENDOR}").write_bytes(b"\7\0\0\0" + struct.pack("<H", 1))
    found = read_firmware(tmp_path)
    told = subprocess.run(["efibootmgr", "-v"], check=True, capture_output=True, text=True).stdout
    order = next(line for line in told.splitlines() if line.startswith("BootOrder: "))
    assert found.order == tuple(order.removeprefix("BootOrder: ").split(","))
    assert found.current == "0001"
    assert [(entry.number, entry.description, entry.active) for entry in found.entries] == [
        ("0000", "Quire one", True),
        ("0001", "Quire two", True),
    ]
    for entry in found.entries:
        assert entry.partition == ESP
        assert f"HD(1,GPT,{ESP.lower()}" in told
        assert str(entry.file) in told
        assert entry.problem is None


def test_firmware_when_there_is_none_or_it_is_not_shown_then_it_says_so(tmp_path: Path) -> None:
    """A machine started by a BIOS; one whose variables are not mounted."""
    assert "not started by UEFI" in str(read_firmware(tmp_path).untold)
    (tmp_path / "firmware/efi/efivars").mkdir(parents=True)
    assert "not mounted" in str(read_firmware(tmp_path).untold)
