"""What Windows and macOS answer: written from documentation, not recorded from a machine.

Sources: Microsoft Learn, "MSFT_Disk class", "MSFT_Partition class" and "fsutil behavior";
diskutil(8). The fields of system_profiler are from memory.
"""

from __future__ import annotations

import json
import plistlib
from typing import Any

import pytest

from verify.errors import MachineUntold
from verify.platforms.macos import macos_machine
from verify.platforms.windows.machine import windows_machine

DISK = "0ac0ffee-0000-4000-8000-00000000000d"
PART = "0ac0ffee-0000-4000-8000-000000000003"
BASIC = "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7"

DISKS: list[dict[str, Any]] = [
    {
        "Number": 0, "Model": "Quire 9", "SerialNumber": "NEW-1   ", "Size": 500107862016,
        "LogicalSectorSize": 512, "BusType": "SATA", "PartitionStyle": "GPT",
        "Signature": None, "Guid": f"{{{DISK}}}", "IsReadOnly": False,
    },
    {
        "Number": 1, "Model": "Ream", "SerialNumber": "BRIDGE", "Size": 256060514304,
        "LogicalSectorSize": 512, "BusType": 7, "PartitionStyle": 1,
        "Signature": 12648430, "Guid": None, "IsReadOnly": False,
    },
]  # fmt: skip
PARTITIONS: list[dict[str, Any]] = [
    {
        "DiskNumber": 0, "PartitionNumber": 3, "Offset": 290455552, "Size": 1 << 30,
        "Guid": f"{{{PART}}}", "GptType": f"{{{BASIC}}}", "MbrType": None, "DriveLetter": "C",
    },
    {
        "DiskNumber": 1, "PartitionNumber": 1, "Offset": 1048576, "Size": 1 << 30,
        "Guid": None, "GptType": None, "MbrType": 7, "DriveLetter": "D",
    },
]  # fmt: skip
TRIM_ON = "NTFS DisableDeleteNotify = 0  (Allows TRIM operations to be sent)\n"


def test_windows_when_it_answers_then_drives_table_and_trim_are_told() -> None:
    """A list of two disks; the system volume is C:."""
    answers = json.dumps(DISKS), json.dumps(PARTITIONS)
    machine = windows_machine(*answers, TRIM_ON, "C:")
    new, other = machine.drives
    assert (machine.system.drives, new.system, other.system) == (("Disk 0",), True, False)
    assert (new.serial, new.serial_source, new.model) == ("NEW-1", "drive", "Quire 9")
    assert new.table is not None
    assert (new.table.scheme, new.table.disk_id) == ("gpt", DISK.upper())
    (part,) = new.table.partitions
    assert (part.guid, part.type, part.start_bytes) == (PART.upper(), BASIC.upper(), 290455552)
    assert (other.serial_source, other.bus) == ("adapter", "usb")
    assert other.table is not None
    assert (other.table.scheme, other.table.disk_id) == ("mbr", "00C0FFEE")
    assert other.table.partitions[0].type == "07"
    assert machine.trim.answer == "on"
    assert machine.firmware.untold is not None


def test_windows_when_a_single_disk_answers_then_it_is_no_list() -> None:
    """PowerShell writes one object without its list; an NVMe drive may answer with its EUI-64."""
    disk = DISKS[0] | {"SerialNumber": "0025_38C2_11B0_12AF.", "BusType": "NVMe"}
    machine = windows_machine(json.dumps(disk), json.dumps(PARTITIONS[0]), "", "C:")
    (drive,) = machine.drives
    assert (drive.serial, drive.wwn) == (None, "eui.002538c211b012af")
    assert machine.trim.answer == "not_told"


@pytest.mark.parametrize(
    ("disks", "partitions"), [("no", "[]"), ("[{}]", "[]"), ("[]", '["x"]'), ("[3]", "[]")]
)
def test_windows_when_it_answers_otherwise_then_it_is_a_named_error(
    disks: str, partitions: str
) -> None:
    """Nothing is guessed from what is no answer."""
    with pytest.raises(MachineUntold):
        windows_machine(disks, partitions, "", "C:")


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("DisableDeleteNotify = 1\n", "off"),
        ("ReFS DisableDeleteNotify = 0\nNTFS DisableDeleteNotify = 1 (Disabled)\n", "off"),
        ("NTFS DisableDeleteNotify = is not currently set\n", "not_told"),
    ],
)
def test_windows_when_trim_is_off_or_not_set_then_it_is_told(text: str, answer: str) -> None:
    """The line of NTFS counts, which is what the system volume is."""
    machine = windows_machine(json.dumps(DISKS), json.dumps(PARTITIONS), text, "C:")
    assert machine.trim.answer == answer


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
