r"""The system's registry: its names for volumes, its storage drivers, what it keeps out of copies.

Sources: Microsoft Learn, "Registry Keys and Values for Backup and Restore" and "Excluding Files
from Shadow Copies" (the two lists), "HKLM\SYSTEM\CurrentControlSet\Services Registry Tree" (Start,
Group); the winreg-kb notes of libyal (MountedDevices). What is from memory says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.boot.boot_record import DriverStart, Exclusion, MountedDevice, SystemRegistry
from verify.boot.device import guid_text
from verify.boot.hive import Budget, Hive, Key, Value, utf16
from verify.errors import StructureError, TooMuch
from verify.text.message import say
from verify.units import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator

MOST_BYTES = 512 * MIB
"""The largest hive read; a real one seen holds 11 MiB."""

_BUDGET_STEPS = 100_000
_BUDGET_BYTES = 16 * MIB
_BUDGET_SECONDS = 60.0

STORAGE_GROUPS = frozenset(
    {
        "scsi miniport",
        "scsi class",
        "primary disk",
        "system bus extender",
        "boot bus extender",
    }
)
"""Load-order groups between a loader and its volume, lower case (from memory; in a real hive
they hold the drivers one would expect)."""

STORAGE_DRIVERS = frozenset(
    {
        "storahci",
        "stornvme",
        "msahci",
        "atapi",
        "pciide",
        "intelide",
        "vmd",
        "storufs",
        "iastor",
        "iastora",
        "iastorac",
        "iastorav",
        "iastoravc",
        "iastorv",
        "iastorvd",
        "iastorb",
        "iastorf",
        "nvme",
        "secnvme",
        "amdsata",
        "amdxata",
        "rcraid",
        "rcbottom",
        "disk",
        "partmgr",
        "volmgr",
        "volume",
    }
)
"""Services recorded whatever their group says, lower case (from memory)."""

_GPT_MARK = b"DMIO:ID:"
_GPT_BYTES = len(_GPT_MARK) + 16
_MBR_BYTES = 12
_DEVICE_PATH_MARKS = ("\\??\\", "_??_")


@dataclass(slots=True)
class _Found:
    """What was read so far: it stands even where the rest of the hive cannot be read."""

    control_set: int | None = None
    firmware: int | None = None
    boot_device: str | None = None
    fast_start: bool | None = None
    mounted: list[MountedDevice] = field(default_factory=list)
    not_to_backup: list[Exclusion] = field(default_factory=list)
    not_to_snapshot: list[Exclusion] = field(default_factory=list)
    drivers: list[DriverStart] = field(default_factory=list)


def read_system(data: bytes, path: str = "", logs: tuple[str, ...] = ()) -> SystemRegistry:
    """Read a system hive.

    Args:
        data: the whole hive, at most `MOST_BYTES`.
        path: where it lies on its partition.
        logs: paths of the transaction logs beside it that hold anything.

    Raises:
        StructureError: the bytes are no hive, or its root cannot be read.
    """
    if len(data) > MOST_BYTES:
        raise StructureError(
            say("system hive"),
            0,
            say("size"),
            say("{size} bytes at most", size=MOST_BYTES),
            say("{size:,} bytes", size=len(data)),
        )
    hive = Hive(data, logs=logs, budget=Budget(_BUDGET_STEPS, _BUDGET_BYTES, _BUDGET_SECONDS))
    found = _Found()
    try:
        _read(hive, found)
    except TooMuch as error:
        hive.give_up(error)
    return SystemRegistry(
        path=path,
        state=hive.state,
        control_set=found.control_set,
        firmware=found.firmware,
        boot_device=found.boot_device,
        mounted=tuple(found.mounted),
        not_to_backup=tuple(found.not_to_backup),
        not_to_snapshot=tuple(found.not_to_snapshot),
        drivers=tuple(found.drivers),
        fast_start=found.fast_start,
        problems=tuple(hive.problems),
    )


def _read(hive: Hive, found: _Found) -> None:
    found.mounted.extend(_mounted_device(value) for value in _values(hive.root, "MountedDevices"))
    found.control_set = _number(hive.root.key("Select"), "Current")
    current = hive.root.key(f"ControlSet{found.control_set or 0:03d}")
    if current is None:
        hive.note(say("the control set in use is not there"))
        return
    if control := current.key("Control"):
        # NOTE: from memory: 1 BIOS, 2 UEFI; the one real hive at hand does not hold it.
        found.firmware = _number(control, "PEFirmwareType")
        found.boot_device = _text(control, "SystemBootDevice")
        # NOTE: common practice, from memory; a policy may overrule it.
        enabled = _number(control.descend("Session Manager", "Power"), "HiberbootEnabled")
        found.fast_start = None if enabled is None else enabled != 0
    for name, exclusions in (
        ("FilesNotToBackup", found.not_to_backup),
        ("FilesNotToSnapshot", found.not_to_snapshot),
    ):
        listed = _values(current, "Control", "BackupRestore", name)
        exclusions.extend(_exclusion(value) for value in listed)
    services = current.key("Services")
    drivers = (_driver(service) for service in (services.subkeys() if services else ()))
    found.drivers.extend(driver for driver in drivers if driver is not None)


def _values(key: Key, *names: str) -> Iterator[Value]:
    found = key.descend(*names)
    return found.values() if found else iter(())


def _mounted_device(value: Value) -> MountedDevice:
    # SPEC: libyal winreg-kb, "Mounted devices": a GPT mark and GUID, or signature and offset.
    data = value.data
    if len(data) == _GPT_BYTES and data.startswith(_GPT_MARK):
        return MountedDevice(
            name=value.name, kind="gpt", partition_id=guid_text(data[len(_GPT_MARK) :])
        )
    if len(data) == _MBR_BYTES:
        return MountedDevice(
            name=value.name,
            kind="mbr",
            disk_id=f"{int.from_bytes(data[:4], 'little'):08X}",
            partition_offset=int.from_bytes(data[4:], "little"),
        )
    text = utf16(data)
    if text is not None and text.startswith(_DEVICE_PATH_MARKS):
        return MountedDevice(name=value.name, kind="device", text=text.rstrip("\0"))
    return MountedDevice(name=value.name, kind="other", raw=data.hex().upper())


def _exclusion(value: Value) -> Exclusion:
    text = value.text  # NOTE: some programs write REG_SZ where REG_MULTI_SZ is asked for
    return Exclusion(name=value.name, patterns=value.texts or ((text,) if text else ()))


def _driver(service: Key) -> DriverStart | None:
    """Return a service that is a storage driver by its group or its name, else `None`."""
    group = _text(service, "Group")
    if (group or "").lower() not in STORAGE_GROUPS and service.name.lower() not in STORAGE_DRIVERS:
        return None
    return DriverStart(
        name=service.name,
        start=_number(service, "Start"),
        overrides=tuple(
            number
            for value in _values(service, "StartOverride")
            if (number := value.number) is not None
        ),
        group=group,
        image=_text(service, "ImagePath"),
    )


def _number(key: Key | None, name: str) -> int | None:
    value = key.value(name) if key else None
    return value.number if value else None


def _text(key: Key, name: str) -> str | None:
    value = key.value(name)
    return value.text if value else None
