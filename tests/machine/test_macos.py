"""What macOS answers: written from documentation, not recorded from a machine.

Sources: diskutil(8), ioreg(8), Apple's IOStorageDeviceCharacteristics.h and
IOStorageProtocolCharacteristics.h; xnu's bsd/sys/disk.h and ioccom.h. The fields of
system_profiler are from memory.
"""

from __future__ import annotations

import errno
import json
import plistlib
from typing import TYPE_CHECKING

import pytest

from verify.errors import MachineUntold
from verify.platforms.macos import system
from verify.platforms.macos.drive_identity import disk_name, identity_of
from verify.platforms.macos.machine import macos_machine
from verify.platforms.macos.system import MacOs
from verify.source import drive as source

if TYPE_CHECKING:
    from pathlib import Path

PART = "0ac0ffee-0000-4000-8000-000000000003"


def test_macos_when_it_answers_then_drives_and_trim_are_told() -> None:
    """The system volume lies in an APFS container on disk0s2."""
    listed = {
        "WholeDisks": ["disk0"],
        "AllDisksAndPartitions": [
            {
                "DeviceIdentifier": "disk0",
                "Partitions": [
                    {"DeviceIdentifier": "disk0s2", "DiskUUID": PART, "Size": 1 << 30},
                ],
            }
        ],
    }
    info = {
        "Size": 500107862016, "DeviceBlockSize": 4096, "MediaName": "QUIRE 9", "SolidState": True,
        "BusProtocol": "PCI-Express", "Content": "GUID_partition_scheme", "WritableMedia": True,
    }  # fmt: skip
    root = {"FilesystemType": "apfs", "APFSPhysicalStores": [{"APFSPhysicalStore": "disk0s2"}]}
    item = {"bsd_name": "disk0", "device_serial": "NEW-1", "device_model": "Quire 9"}
    profile = {"SPNVMeDataType": [{"_items": [item | {"spnvme_trim_support": "Yes"}]}]}
    machine = macos_machine(
        plistlib.dumps(listed),
        {"disk0": plistlib.dumps(info)},
        plistlib.dumps(root),
        json.dumps(profile).encode(),
    )
    (drive,) = machine.drives
    assert (machine.system.drives, drive.system) == (("disk0",), True)
    assert (drive.serial, drive.model, drive.rotational) == ("NEW-1", "Quire 9", False)
    assert drive.table is not None
    assert drive.table.partitions[0].guid == PART.upper()
    assert machine.trim.answer == "on"


def test_macos_when_it_answers_with_something_else_then_it_is_a_named_error() -> None:
    """Neither a property list nor JSON."""
    whole = plistlib.dumps({})
    with pytest.raises(MachineUntold):
        macos_machine(b"no", {}, whole, b"{}")
    with pytest.raises(MachineUntold):
        macos_machine(whole, {}, whole, b"no")


DISK, SLICE = "disk4", "disk4s2"
BLOCKS = b"".join(number.to_bytes(4, "little") * 1024 for number in range(64))
INFO = {
    "Size": len(BLOCKS), "MediaName": "Quire 9 Media", "BusProtocol": "SATA",
    "WritableMedia": True, "ParentWholeDisk": DISK,
}  # fmt: skip
LISTED = {
    "AllDisksAndPartitions": [
        {
            "DeviceIdentifier": DISK,
            "Partitions": [
                {"DeviceIdentifier": "disk4s1"},
                {"DeviceIdentifier": SLICE, "MountPoint": "/Volumes/Bindery"},
            ],
        },
        {
            "DeviceIdentifier": "disk5",
            "APFSPhysicalStores": [{"DeviceIdentifier": "disk4s3"}],
            "APFSVolumes": [{"DeviceIdentifier": "disk5s1", "MountPoint": "/Volumes/Letters"}],
        },
        {"DeviceIdentifier": "disk41", "MountPoint": "/Volumes/Other"},
    ]
}
REGISTRY = [
    {
        "Device Characteristics": {
            "Product Name": "Quire 9         ", "Serial Number": "    OLD-1",
            "Medium Type": "Solid State",
        },
        "Protocol Characteristics": {"Physical Interconnect": "SATA"},
        "IORegistryEntryChildren": [
            {"IORegistryEntryChildren": [{"BSD Name": DISK, "Whole": True}]},
        ],
    },
]  # fmt: skip


class FakeMac(MacOs):
    """macOS with a disk of 4,096-byte blocks that takes whole blocks only, as a raw device does."""

    def __init__(self, image: Path) -> None:
        self.image = image
        self.opened: list[str] = []
        self.registry = plistlib.dumps(REGISTRY)

    def open_to_read(self, name: str) -> int:
        """Open the image in the place of a raw device."""
        self.opened.append(name)
        return super().open_to_read(str(self.image))

    def control(self, descriptor: int, code: int, size: int) -> int | None:  # noqa: ARG002
        """Answer DKIOCGETBLOCKCOUNT, -BLOCKSIZE and -PHYSICALBLOCKSIZE, by their numbers."""
        answers = {0x40086419: (8, 64), 0x40046418: (4, 4096), 0x4004644D: (4, 16384)}
        width, number = answers[code]
        assert size == width
        return number

    def read_at(self, descriptor: int, length: int, offset: int) -> bytes:
        """Refuse what is not whole blocks (EINVAL)."""
        if length % 4096 or offset % 4096:
            raise OSError(errno.EINVAL, "Invalid argument")
        return super().read_at(descriptor, length, offset)

    def answer(self, *command: str) -> bytes:
        """Answer as diskutil and ioreg would."""
        if command[0].endswith("ioreg"):
            return self.registry
        return plistlib.dumps(INFO if "info" in command else LISTED)


@pytest.fixture
def mac(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FakeMac:
    """Let the opener of drives be on that machine."""
    image = tmp_path / "disk.img"
    image.write_bytes(BLOCKS)
    system = FakeMac(image)
    monkeypatch.setattr(source, "PLATFORM", system)
    return system


def test_macos_when_a_disk_is_opened_then_it_is_read_raw_in_whole_blocks(mac: FakeMac) -> None:
    """Also where it is named by its buffered device."""
    with source.open_drive("/dev/disk4") as drive:
        assert (drive.size_bytes, drive.sector_bytes) == (len(BLOCKS), 4096)
        for start, length in ((0, 3), (4095, 2), (len(BLOCKS) - 5, 5), (1, 9000)):
            assert drive.read_at(start, length) == BLOCKS[start : start + length]
        told = drive.identity
    assert mac.opened == ["/dev/rdisk4"]
    assert (told.model, told.serial, told.serial_source) == ("Quire 9", "OLD-1", "drive")
    assert (told.bus, told.rotational, told.physical_sector_bytes) == ("sata", False, 16384)
    assert told.mounted == ("/Volumes/Bindery", "/Volumes/Letters")
    assert told.mounted_writable
    assert told.part_of is None


def test_macos_when_a_slice_is_opened_then_its_disk_is_named(mac: FakeMac) -> None:
    """Model and serial number are reported as the disk's."""
    with source.open_drive("/dev/rdisk4s2") as drive:
        told = drive.identity
    assert mac.opened == ["/dev/rdisk4s2"]
    assert told.part_of is not None
    assert (told.part_of.path, told.part_of.number) == ("/dev/disk4", 2)
    assert (told.part_of.serial, told.serial, told.model) == ("OLD-1", None, None)
    assert told.mounted == ("/Volumes/Bindery",)


def test_macos_when_a_container_is_opened_then_the_disk_that_it_lies_on_is_named() -> None:
    """An APFS container is a whole disk of its own to the system."""
    disk = disk_name("/dev/disk5")
    assert disk is not None
    info = {"APFSPhysicalStores": [{"APFSPhysicalStore": "disk4s3"}]}
    told = identity_of(disk, info, LISTED, {}, (4096, None))
    assert told.part_of is not None
    assert (told.part_of.path, told.part_of.by) == ("/dev/disk4", "mapping")


def test_macos_when_commands_answer_nothing_then_the_disk_is_read_all_the_same(
    mac: FakeMac, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No property list, no serial number, and nothing that is guessed."""
    monkeypatch.setattr(mac, "answer", lambda *_: b"no")
    with source.open_drive("/dev/disk4") as drive:
        assert drive.read_at(0, 4) == BLOCKS[:4]
    assert (drive.identity.model, drive.identity.serial, drive.identity.bus) == (None, None, None)


@pytest.mark.parametrize("name", ["disk4", "/dev/disk", "/dev/null", "/dev/disk4s", "old.img"])
def test_macos_when_a_name_is_no_disks_then_it_is_a_path(name: str) -> None:
    """Files and other devices go their usual way."""
    assert disk_name(name) is None


def test_macos_when_codes_are_made_as_the_header_does_then_they_are_ours() -> None:
    """bsd/sys/ioccom.h: _IOR(g, n, t) is 0x40000000 | sizeof(t) << 16 | g << 8 | n."""
    codes = {
        system.DKIOCGETBLOCKSIZE: (4, 24),
        system.DKIOCGETBLOCKCOUNT: (8, 25),
        system.DKIOCGETPHYSICALBLOCKSIZE: (4, 77),
    }
    for code, (size, number) in codes.items():
        assert code == 0x40000000 | size << 16 | ord("d") << 8 | number
