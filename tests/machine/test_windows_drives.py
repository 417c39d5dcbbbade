r"""Drives on a Windows that is simulated: how they are named, opened, read and lost.

Error numbers: Microsoft Learn, "System Error Codes". `tests/support/fake_windows.py` answers.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.fake_windows import FakeWindows
from verify.cli import capture_request
from verify.errors import (
    SourceForbidden,
    SourceForeign,
    SourceMissing,
    SourceRefused,
    SourceUnreadable,
    SourceVanished,
    UsageError,
)
from verify.platforms.windows.names import device_name
from verify.source import drive as source
from verify.source.drive import Drive, open_drive

SECTOR, SECTORS = 512, 4096
GENERIC_READ = 0x80000000
"""Microsoft Learn, "Access Mask Format": bit 31; GENERIC_WRITE is bit 30."""
OLD = "\\\\.\\PhysicalDrive0"
LETTERLESS = "\\\\?\\Volume{0ac0ffee-0000-4000-8000-000000000001}\\"
LETTERED = "\\\\?\\Volume{0ac0ffee-0000-4000-8000-000000000002}\\"
SHADOW = "\\\\?\\GLOBALROOT\\Device\\HarddiskVolumeShadowCopy3"
DATA = b"".join(number.to_bytes(4, "little") * (SECTOR // 4) for number in range(SECTORS))


@pytest.fixture
def machine(tmp_path: Path) -> dict[str, Any]:
    """Return a machine with a drive of two volumes, one of them with a letter, and an empty one."""
    image, other = tmp_path / "old.img", tmp_path / "new.img"
    image.write_bytes(DATA)
    other.write_bytes(bytes(SECTOR * 64))
    names = ["\\\\.\\Harddisk0Partition2", SHADOW]
    return {
        "drives": {
            "0": {"image": str(image), "product": "Quire 9", "ata": ["OLD-1", "Quire 9"]},
            "1": {"image": str(other), "bus": 7, "vendor": "Foolscap", "serial": "BRIDGE"},
        },
        "volumes": {
            LETTERLESS: {"extents": [[0, SECTOR * 8, SECTOR * 100]], "number": 1},
            LETTERED: {
                "extents": [[0, SECTOR * 200, SECTOR * 300]],
                "points": ["C:\\"],
                "number": 2,
                "names": names,
            },
        },
    }


@pytest.fixture
def windows(machine: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> FakeWindows:
    """Let the opener of drives be on that machine."""
    system = FakeWindows(machine)
    monkeypatch.setattr(source, "PLATFORM", system)
    return system


@pytest.mark.parametrize(
    ("given_name", "path", "disk"),
    [
        (OLD, OLD, 0),
        ("\\\\?\\physicaldrive12", "\\\\.\\PhysicalDrive12", 12),
        ("//./PhysicalDrive3", "\\\\.\\PhysicalDrive3", 3),
        ("c:", "\\\\.\\C:", None),
        ("D:\\", "\\\\.\\D:", None),
        ("\\\\.\\e:", "\\\\.\\E:", None),
        (LETTERED, LETTERED[:-1], None),
        (SHADOW, SHADOW, None),
        ("\\\\.\\Harddisk0Partition2", "\\\\.\\Harddisk0Partition2", None),
    ],
)
def test_name_when_of_a_device_then_it_is_known(
    given_name: str, path: str, disk: int | None
) -> None:
    """Microsoft Learn, "Naming Files, Paths, and Namespaces" and "Naming a Volume"."""
    found = device_name(given_name)
    assert found is not None
    assert (found.path, found.disk) == (path, disk)


@pytest.mark.parametrize(
    "given_name",
    [
        "old.img",
        "C:\\images\\old.img",
        "c:old.img",
        "\\\\?\\C:\\images\\old.img",
        "/dev/sda",
        "\\\\.\\C:\\old.img",
        "PhysicalDrive0",
        "\\\\server\\share\\old.img",
        "",
    ],
)
def test_name_when_of_a_file_then_it_is_no_device(given_name: str) -> None:
    """Also where it begins as a device's does."""
    assert device_name(given_name) is None


@given(start=st.integers(0, len(DATA)), length=st.integers(0, 5000))
def test_read_when_at_any_place_then_only_whole_sectors_are_asked_for(
    start: int, length: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The simulated drive refuses everything else (error 87)."""
    image = tmp_path_factory.getbasetemp() / "aligned.img"
    if not image.exists():
        image.write_bytes(DATA)
    for sector in (512, 4096):
        system = FakeWindows({"drives": {"0": {"image": str(image), "sector": sector}}})
        opened = system.open_device(OLD)
        assert opened is not None
        assert opened.read_at(length, start) == DATA[start : start + length]
        opened.close()


def test_drive_when_opened_then_it_asks_for_reading_alone(windows: FakeWindows) -> None:
    """GENERIC_READ for the drive, no right at all for the volumes that are asked where they lie."""
    with open_drive(OLD) as drive:
        identity = drive.identity
    assert set(windows.fake.rights) == {0, GENERIC_READ}
    assert windows.fake.rights[GENERIC_READ] == 1
    assert not windows.fake.handles
    assert drive.size_bytes == len(DATA)
    assert (identity.model, identity.serial, identity.serial_source) == (
        "Quire 9",
        "OLD-1",
        "drive",
    )
    assert (identity.sector_bytes, identity.physical_sector_bytes) == (512, 4096)
    assert (identity.mounted, identity.mounted_writable) == (("C:",), True)
    assert identity.part_of is None


def test_drive_when_its_volumes_are_read_only_then_it_is_in_use_and_not_written(
    windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """IOCTL_DISK_IS_WRITABLE answers with error 19 then (ERROR_WRITE_PROTECT)."""
    machine["volumes"][LETTERED]["writable"] = machine["drives"]["0"]["writable"] = False
    with open_drive(OLD) as drive:
        identity = drive.identity
    assert (identity.mounted, identity.mounted_writable) == (("C:",), False)
    assert identity.read_only is True
    assert not windows.fake.handles


def test_drive_when_behind_usb_then_its_serial_number_may_be_the_adapters(
    windows: FakeWindows,
) -> None:
    """A bridge answers for the drive; nothing is sent through it."""
    with open_drive("\\\\.\\PhysicalDrive1") as drive:
        identity = drive.identity
    assert (identity.serial, identity.serial_source, identity.bus) == ("BRIDGE", "adapter", "usb")
    assert identity.mounted == ()
    assert not windows.fake.handles


@pytest.mark.parametrize("code", [23, 27, 121, 1117])
def test_sector_when_it_cannot_be_read_then_it_alone_is_unreadable(
    code: int, windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """ERROR_CRC, ERROR_SECTOR_NOT_FOUND, ERROR_SEM_TIMEOUT, ERROR_IO_DEVICE."""
    machine["drives"]["0"]["bad"] = {"10": code, "12": code}
    with open_drive(OLD) as drive:
        with pytest.raises(SourceUnreadable) as caught:
            drive.read_at(8 * SECTOR, 8 * SECTOR)
        assert (caught.value.offset, caught.value.length) == (10 * SECTOR, SECTOR)
        assert drive.unreadable == [(10 * SECTOR, SECTOR), (12 * SECTOR, SECTOR)]
        assert drive.read_at(11 * SECTOR, SECTOR) == DATA[11 * SECTOR : 12 * SECTOR]
    assert not windows.fake.handles


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (21, "the drive is not ready (error 21 of Windows)"),
        (55, "the device is no longer available (error 55 of Windows)"),
        (433, "the device does not exist any more (error 433 of Windows)"),
        (1167, "the drive is not connected (error 1167 of Windows)"),
        (31, "error 31 of Windows"),
    ],
)
def test_drive_when_it_goes_then_that_is_said_and_no_sector_is_blamed(
    code: int, words: str, windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """ERROR_NOT_READY, _DEV_NOT_EXIST, _NO_SUCH_DEVICE, _DEVICE_NOT_CONNECTED; any unknown one."""
    machine["drives"]["0"] |= {"gone_after": 2, "gone": code}
    with open_drive(OLD) as drive:
        drive.read_at(0, SECTOR)
        drive.read_at(0, SECTOR)
        with pytest.raises(SourceVanished) as caught:
            drive.read_at(0, SECTOR)
        assert caught.value.reason == words
        assert not drive.unreadable
    assert not windows.fake.handles


@pytest.mark.parametrize(
    ("code", "error"),
    [
        (5, SourceForbidden),
        (2, SourceMissing),
        (3, SourceMissing),
        (32, SourceRefused),
        (1, SourceRefused),
        (21, SourceVanished),
        (1167, SourceVanished),
    ],
)
def test_drive_when_it_is_not_opened_then_a_named_error_says_why(
    code: int, error: type[Exception], windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """No administrator (5), nothing there (2, 3), held by another (32), no medium (21)."""
    machine["drives"]["0"]["refuse"] = code
    with pytest.raises(error) as caught:
        open_drive(OLD)
    if code == 5:
        assert isinstance(caught.value, SourceForbidden)
        assert caught.value.hint().startswith("Open the terminal as administrator")
    assert not windows.fake.handles


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("C:", 2),
        ("\\\\.\\C:", 2),
        (LETTERED, 2),
        (LETTERLESS, 1),
        ("\\\\.\\Harddisk0Partition2", 2),
    ],
)
def test_volume_when_opened_then_it_is_known_for_a_part_of_its_drive(
    name: str, number: int, windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """Its bytes are the partition's; model and serial number are reported as the drive's."""
    volume = LETTERLESS if number == 1 else LETTERED
    _, start, length = machine["volumes"][volume]["extents"][0]
    with open_drive(name) as drive:
        part = drive.identity.part_of
        assert drive.read_at(0, 3) == DATA[start : start + 3]
        assert drive.size_bytes == length
    assert part is not None
    assert (part.path, part.by, part.number) == (OLD, "partition", number)
    assert (part.start_bytes, part.model, part.serial) == (start, "Quire 9", "OLD-1")
    assert drive.identity.model is drive.identity.serial is None
    assert not windows.fake.handles


def test_volume_when_a_shadow_copy_then_it_is_of_a_drive_and_no_partition(
    windows: FakeWindows,
) -> None:
    """Whatever number the driver below it answers with."""
    with open_drive(SHADOW) as drive:
        part = drive.identity.part_of
    assert part is not None
    assert (part.path, part.by, part.number) == (OLD, "mapping", None)
    assert not windows.fake.handles


def test_volume_when_it_spans_drives_then_both_are_named(
    windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """A dynamic volume is no partition of one drive."""
    machine["volumes"][LETTERED]["extents"].append([1, 0, SECTOR * 8])
    with open_drive("C:") as drive:
        part = drive.identity.part_of
    assert part is not None
    assert part.path == f"{OLD} and \\\\.\\PhysicalDrive1"
    assert (part.by, part.number) == ("mapping", None)
    assert not windows.fake.handles


def test_drive_when_no_code_is_answered_then_its_length_is_sought_and_nothing_else_is_told(
    windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """What Wine does; reads are in steps of 4,096 bytes then, and none goes past the end."""
    image = Path(machine["drives"]["0"]["image"])
    odd = len(DATA) - SECTOR
    image.write_bytes(DATA[:odd])
    machine["drives"]["0"] = {"image": str(image), "silent": True}
    with open_drive(OLD) as drive:
        assert (drive.size_bytes, drive.sector_known) == (odd, False)
        assert drive.read_at(700, 900) == DATA[700:1600]
        assert drive.read_at(odd - 3, 3) == DATA[odd - 3 : odd]
        told = drive.identity
    assert (told.model, told.serial, told.bus, told.rotational) == (None, None, None, None)
    assert not windows.fake.handles


def test_drive_when_even_its_size_is_not_reported_then_it_is_refused(
    windows: FakeWindows, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A serial port has a name of the same sort."""
    monkeypatch.setattr("verify.platforms.windows.attached.size_of", lambda *_: None)
    with pytest.raises(SourceForeign, match="size is not reported"):
        open_drive(OLD)
    assert not windows.fake.handles


def test_machine_when_asked_then_drives_system_and_trim_are_told(
    windows: FakeWindows, machine: dict[str, Any]
) -> None:
    """The system volume is C:, whose extents lie on drive 0; no handle has a right to read."""
    machine["drives"]["0"] |= {"rotates": 0, "trim": 1}
    told = windows.machine()
    old, other = told.drives
    assert (told.system.drives, old.system, other.system) == (("Disk 0",), True, False)
    assert (old.serial, old.mounted, old.rotational) == ("OLD-1", ("C:",), False)
    assert (other.bus, other.serial_source, other.mounted) == ("usb", "adapter", ())
    assert (old.path, old.size_bytes, told.trim.answer) == (OLD, len(DATA), "on")
    assert set(windows.fake.rights) == {0}
    machine["trim_is_off"] = True
    assert windows.machine().trim.answer == "off"
    machine["drives"]["0"]["trim"] = 0
    assert windows.machine().trim.answer == "off"
    del machine["drives"]["0"]["trim"]
    assert windows.machine().trim.answer == "not_told"


def test_output_when_it_would_lie_on_a_drive_that_is_read_then_that_is_known(
    windows: FakeWindows, machine: dict[str, Any], tmp_path: Path
) -> None:
    """By the volume of the folder, its extents, and the number of the drive."""
    machine["volumes"][LETTERED]["folders"] = [str(tmp_path / "on")]
    assert windows.written_onto(tmp_path / "on/report.html", [OLD]) == OLD
    assert windows.written_onto(tmp_path / "on/report.html", ["\\\\.\\PhysicalDrive1"]) is None
    assert windows.written_onto(tmp_path / "off/report.html", [OLD]) is None
    assert windows.written_onto(tmp_path / "on/report.html", ["old.img"]) is None


@pytest.mark.parametrize("name", [OLD, "\\\\.\\PhysicalDrive1", "//./PhysicalDrive1", "C:", SHADOW])
def test_output_when_it_is_named_as_a_device_then_it_is_refused(
    name: str, windows: FakeWindows, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is ever written to a drive, whether it is read or not."""
    monkeypatch.setattr(capture_request, "PLATFORM", windows)
    with pytest.raises(UsageError, match="is not an ordinary file"):
        capture_request.place_for(name, (), replace_it=True)
    assert not windows.fake.rights


def test_drive_when_closed_then_it_is_not_read(windows: FakeWindows) -> None:
    """A handle's number may be another device's by then."""
    drive: Drive = open_drive(OLD)
    drive.close()
    drive.close()
    with pytest.raises(SourceVanished):
        drive.read_at(0, 1)
    assert not windows.fake.handles
