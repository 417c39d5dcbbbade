"""What macOS answers: written from documentation, not recorded from a machine.

Source: diskutil(8). The fields of system_profiler are from memory.
"""

from __future__ import annotations

import json
import plistlib

import pytest

from verify.errors import MachineUntold
from verify.platforms.macos import macos_machine

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
