"""The system's registry against hivex, and hives written here."""

from __future__ import annotations

import lzma
import re
import struct
import subprocess
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from tests.boot import devices
from tests.boot.hives import REG_BINARY, REG_DWORD, REG_SZ, HiveKey, text, write_hive
from verify.boot.registry import read_system
from verify.structs.regf import base_block_checksum

if TYPE_CHECKING:
    from pathlib import Path


def system(**starts: int) -> HiveKey:
    """Return a system hive with storage drivers in its second control set, which is in use."""
    root = HiveKey("SYSTEM")
    root.add("Select").set("Current", REG_DWORD, (2).to_bytes(4, "little"))
    root.add("ControlSet001", "Services", "storahci").set("Start", REG_DWORD, b"\4\0\0\0")
    for name, start in starts.items():
        key = root.add("ControlSet002", "Services", name)
        key.set("Start", REG_DWORD, start.to_bytes(4, "little"))
    return root


@pytest.fixture(scope="module")
def real(corpus: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A real system hive, unpacked."""
    path = tmp_path_factory.mktemp("hive") / "SYSTEM"
    path.write_bytes(lzma.decompress((corpus / "hive-SYSTEM-win.hiv.xz").read_bytes()))
    return path


def hivex(path: Path, key: str, *value: str) -> str:
    """Return what hivexget prints of a key, or of one value."""
    done = subprocess.run(
        ["hivexget", str(path), key, *value],
        check=True,
        capture_output=True,
        text=True,
    )
    return done.stdout.strip()


@pytest.mark.tools("hivexget")
def test_system_when_it_is_real_then_volumes_and_drivers_are_what_hivex_reads(real: Path) -> None:
    """Start values, the control set in use, and each volume's bytes."""
    found = read_system(real.read_bytes(), "/x")
    assert found.control_set == int(hivex(real, "Select", "Current"))
    for name in ("storahci", "stornvme", "disk", "partmgr"):
        driver = found.driver(name)
        assert driver is not None
        key = f"ControlSet{found.control_set:03d}\\Services\\{name}"
        assert driver.start == int(hivex(real, key, "Start")), name
    lines = [line for line in hivex(real, "MountedDevices").splitlines() if "=hex(3):" in line]
    assert len(found.mounted) == len(lines)
    for item, line in zip(found.mounted, lines, strict=True):
        name, _, digits = line.partition("=hex(3):")
        data = bytes.fromhex(digits.replace(",", ""))
        assert item.name == name.strip('"').replace("\\\\", "\\")
        if data.startswith(b"DMIO:ID:"):
            assert item.kind == "gpt"
            assert item.partition_id == str(UUID(bytes_le=data[8:])).upper()
        else:
            assert item.text == data.decode("utf-16-le").rstrip("\0")
    assert {item.kind for item in found.mounted} == {"gpt", "device"}


def test_system_when_the_control_set_in_use_is_another_then_its_drivers_count() -> None:
    r"""`Select\Current` decides; what the first set says is not read."""
    found = read_system(write_hive(system(stornvme=0, storahci=3)))
    assert found.control_set == 2
    starts = {item.name: item.start for item in found.drivers}
    assert starts == {"stornvme": 0, "storahci": 3}


def test_system_when_an_override_keeps_a_driver_out_then_it_does_not_start_with_the_loader() -> (
    None
):
    """StartOverride 3 beside Start 0: common practice of Windows 8 and later."""
    root = system(storahci=0, stornvme=0)
    override = root.add("ControlSet002", "Services", "stornvme", "StartOverride")
    override.set("0", REG_DWORD, b"\3\0\0\0")
    found = read_system(write_hive(root))
    by_name = {item.name: item.starts_with_loader for item in found.drivers}
    assert by_name == {"storahci": True, "stornvme": False}


def test_system_when_a_service_is_no_storage_driver_then_it_is_left_out() -> None:
    """By its load group or its name; others are of no use here."""
    root = system(audio=0, quirestor=0)
    root.add("ControlSet002", "Services", "quirestor").set("Group", REG_SZ, text("SCSI Miniport"))
    assert [item.name for item in read_system(write_hive(root)).drivers] == ["quirestor"]


def test_system_when_a_volume_is_named_then_the_form_of_its_bytes_decides() -> None:
    """24 bytes with a mark and a GUID; 12 with signature and place; a path; anything else."""
    root = system(disk=0)
    mounted = root.add("MountedDevices")
    guid = "05050505-0000-4000-8000-000000000003"
    rows = {
        "\\DosDevices\\C:": b"DMIO:ID:" + devices.guid(guid),
        "\\DosDevices\\D:": (0xDEADBE01).to_bytes(4, "little") + (1 << 20).to_bytes(8, "little"),
        "\\DosDevices\\E:": text("\\??\\USBSTOR#Disk"),
        "\\DosDevices\\F:": b"odd",
    }
    for name, data in rows.items():
        mounted.set(name, REG_BINARY, data)
    found = {item.name[-2:]: item for item in read_system(write_hive(root)).mounted}
    assert (found["C:"].kind, found["C:"].partition_id) == ("gpt", guid)
    assert (found["D:"].disk_id, found["D:"].partition_offset) == ("DEADBE01", 1_048_576)
    assert (found["E:"].kind, found["E:"].text) == ("device", "\\??\\USBSTOR#Disk")
    assert (found["F:"].kind, found["F:"].raw) == ("other", "6F6464")


def test_system_when_its_control_set_is_not_there_then_that_is_a_problem() -> None:
    """What else was read stands."""
    root = HiveKey("SYSTEM")
    root.add("Select").set("Current", REG_DWORD, (7).to_bytes(4, "little"))
    root.add("MountedDevices").set("\\DosDevices\\C:", REG_BINARY, b"x")
    found = read_system(write_hive(root))
    assert found.problems
    assert len(found.mounted) == 1
    assert found.drivers == ()


@pytest.mark.tools("hivexml")
def test_system_when_it_was_written_then_the_time_is_what_hivexml_says(tmp_path: Path) -> None:
    """A FILETIME in the base block: 2026-03-04 05:06:07 UTC."""
    at = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
    data = bytearray(write_hive(system(storahci=0)))
    struct.pack_into("<Q", data, 12, (int(at.timestamp()) + 11_644_473_600) * 10_000_000)
    struct.pack_into("<I", data, 508, base_block_checksum(bytes(data)))
    hive = tmp_path / "SYSTEM"
    hive.write_bytes(data)
    xml = subprocess.run(["hivexml", str(hive)], check=True, capture_output=True, text=True).stdout
    said = re.search(r"<hive><mtime>([^<]+)</mtime>", xml)
    state = read_system(bytes(data)).state
    assert said is not None
    assert state is not None
    assert state.last_written == int(datetime.fromisoformat(said[1]).timestamp())
    assert state.last_written == int(at.timestamp())
    assert state.intact


@pytest.mark.parametrize(("stored", "expected"), [(1, True), (0, False), (None, None)])
def test_system_when_fast_start_is_set_then_it_is_read(
    *, stored: int | None, expected: bool | None
) -> None:
    """Common practice: `HiberbootEnabled`, in the control set in use."""
    root = system()
    for number, value in ((1, 1 - (stored or 0)), (2, stored)):
        key = root.add(f"ControlSet00{number}", "Control", "Session Manager", "Power")
        if value is not None:
            key.set("HiberbootEnabled", REG_DWORD, value.to_bytes(4, "little"))
    assert read_system(write_hive(root)).fast_start is expected
