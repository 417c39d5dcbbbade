"""Whole machines for the rules of starting and recovering: real stores, hives and headers.

What lies on each partition is bytes, written by the writers of `tests.boot` and read by the same
code that a capture runs; `Machine.without` and the fields of `Machine` make the faults.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.boot import devices, stores
from tests.boot.hives import REG_BINARY, REG_DWORD, HiveKey, write_hive
from tests.rules.cases import (
    DATA,
    DISK,
    EFI,
    MIB,
    RECOVERY,
    RECOVERY_ATTRIBUTES,
    RESERVED,
    case_of,
    drive,
    partition,
)
from verify.boot.assemble import Assembly, assemble
from verify.table.partition_table import Mbr

if TYPE_CHECKING:
    from verify.boot.file_form import FileForm
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case

WIM = (Path(__file__).parents[2] / "boot" / "data" / "small.wim").read_bytes()
SIGNATURE = 0x00C0FFEE

BCD = "/EFI/Microsoft/Boot/BCD"
MANAGER = "/EFI/Microsoft/Boot/bootmgfw.efi"
FALLBACK = "/EFI/Boot/bootx64.efi"
LOADER = "/Windows/System32/winload.efi"
SYSTEM = "/Windows/System32/config/SYSTEM"
CONFIG = "/Windows/System32/Recovery/ReAgent.xml"
IMAGE = "/Recovery/WindowsRE/Winre.wim"
RAM_DISK = "/Recovery/WindowsRE/boot.sdi"

ESP_GUID = "05050505-0000-4000-8000-000000000001"
SYSTEM_GUID = "05050505-0000-4000-8000-000000000003"
RECOVERY_GUID = "4E4E4E4E-0000-4000-8000-000000000004"
NEW_GUIDS = tuple(f"77777777-0000-4000-8000-00000000000{number}" for number in (1, 3, 4))
NO_GUID = "00000000-0000-0000-0000-000000000000"
NEW_DISK = "77777777-2222-3333-4444-555555555500"

Files = dict[str, bytes]


def program(machine: int = 0x8664) -> bytes:
    """Return the headers of a PE32+ image, after Microsoft's "PE Format"."""
    dos = bytearray(0x80)
    dos[0:2] = b"MZ"
    struct.pack_into("<I", dos, 0x3C, 0x80)
    coff = struct.pack("<4sHHIIIHH", b"PE\0\0", machine, 0, 0, 0, 0, 240, 0x22)
    return bytes(dos) + coff + struct.pack("<H66xH", 0x20B, 10) + bytes(170)


def system_hive(
    starts: dict[str, int] | None = None, letters: dict[str, bytes] | None = None
) -> bytes:
    """Return a system hive: start values of storage drivers, and names of volumes."""
    root = HiveKey("SYSTEM")
    root.add("Select").set("Current", REG_DWORD, (1).to_bytes(4, "little"))
    services = root.add("ControlSet001", "Services")
    for name, start in (starts or {"storahci": 0, "stornvme": 3}).items():
        services.add(name).set("Start", REG_DWORD, start.to_bytes(4, "little"))
    mounted = root.add("MountedDevices")
    for letter, data in (letters or {}).items():
        mounted.set(f"\\DosDevices\\{letter}", REG_BINARY, data)
    return write_hive(root)


def config(
    offset: int, *, disk: str = DISK, number: int = 0, enabled: bool = True, path: str = ""
) -> bytes:
    """Return a recovery configuration that names a place."""
    folder = path or "\\Recovery\\WindowsRE"
    return f"""\ufeff<?xml version='1.0' encoding='utf-8'?>
<WindowsRE version="2.0"><WinreBCD id="{{{stores.RECOVERY}}}"/>
<WinreLocation path="{folder}" id="{number}" offset="{offset}" guid="{{{disk.lower()}}}"/>
<InstallState state="{int(enabled)}"/></WindowsRE>""".encode()


@dataclass(frozen=True)
class Machine:
    """A drive with a Windows system: identities, places in MiB, and the files of each partition.

    `named_*` are the identities that its boot store was written for, `recovery_named` the place
    that its recovery configuration names.
    """

    disk: str = DISK
    guids: tuple[str, ...] = (ESP_GUID, SYSTEM_GUID, RECOVERY_GUID)
    named_disk: str = DISK
    named_guids: tuple[str, ...] = (ESP_GUID, SYSTEM_GUID, RECOVERY_GUID)
    system_mib: int = 500
    recovery_named: int = 777
    extra: dict[int, Files] = field(default_factory=dict)
    gone: frozenset[str] = frozenset()
    info: dict[str, Any] = field(default_factory=dict)

    def store(self) -> bytes:
        """Return its boot store."""
        return stores.small_store(
            *(devices.gpt(guid, self.named_disk) for guid in self.named_guids)
        ).write()

    def files(self) -> dict[int, Files]:
        """Return the files by partition."""
        plain = {
            1: {BCD: self.store(), MANAGER: program(), FALLBACK: program()},
            3: {
                LOADER: program(),
                SYSTEM: system_hive(),
                CONFIG: config(self.recovery_named * MIB, disk=self.named_disk),
            },
            4: {IMAGE: WIM, RAM_DISK: b"$SDI0001" + bytes(504)},
        }
        return {
            number: {
                path: data
                for path, data in (files | self.extra.get(number, {})).items()
                if path not in self.gone
            }
            for number, files in plain.items()
        }

    def with_files(self, number: int, files: Files) -> Machine:
        """Return it with other files on one partition."""
        return replace(self, extra=self.extra | {number: self.extra.get(number, {}) | files})

    def without(self, *paths: str) -> Machine:
        """Return it without some files."""
        return replace(self, gone=self.gone | set(paths))

    def partitions(self) -> list[Partition]:
        """Return its partitions with what was read of each."""
        end = 277 + self.system_mib
        files = self.files()
        marks: dict[str, Any] = {"type": RECOVERY, "attributes": RECOVERY_ATTRIBUTES}
        parts = [
            partition(1, 1, 260, "fat32", type=EFI, guid=self.guids[0], of={"id": "AAAA-0001"}),
            partition(2, 261, 16, "msr", type=RESERVED),
            partition(3, 277, self.system_mib, guid=self.guids[1], of={"id": "A003"}),
            partition(4, end, 150, guid=self.guids[2], of={"id": "A004"}, **marks),
        ]
        return [looked_at(item, files[item.number]) if item.readable else item for item in parts]

    def header(self) -> Header:
        """Return the drive's header."""
        return drive(self.partitions(), table={"disk_id": self.disk}, **self.info)


def looked_at(item: Partition, files: Files) -> Partition:
    """Return a partition with the boot record of its files."""
    sizes = {path: len(data) for path, data in files.items()}
    head = bytes(range(1, 256)) * 8
    record = assemble(files, item.filesystem.kind, sizes, head)
    record = replace(record, forms=forms_of(files, item.filesystem.kind))
    return item.model_copy(update={"boot": record})


def _part(data: bytes, at: int, length: int) -> bytes:
    return data[at : at + length]


def forms_of(files: Files, kind: str) -> tuple[FileForm, ...]:
    """Return what the formats of the files say of them."""
    assembly = Assembly(kind)
    for path, data in files.items():
        if ".LOG" in path:
            assembly.add(path, data[:512], len(data))
        assembly.hold(path, len(data), partial(_part, data))
    return assembly.record().forms or ()


@dataclass(frozen=True)
class BiosMachine:
    """A BIOS machine: a small active partition with the boot manager, system, recovery."""

    signature: int = SIGNATURE
    named_signature: int = SIGNATURE
    system_mib: int = 500
    recovery_named: int = 601
    config_number: int | None = None
    active: frozenset[int] = frozenset({1})
    head: bytes = bytes(range(1, 256)) * 8
    code: bool = True
    gone: frozenset[str] = frozenset()
    info: dict[str, Any] = field(default_factory=dict)

    def header(self) -> Header:
        """Return the drive's header."""
        named = self.named_signature
        store = stores.small_store(
            devices.mbr(1 * MIB, named),
            devices.mbr(101 * MIB, named),
            devices.mbr(self.recovery_named * MIB, named),
            manager="\\bootmgr",
            loader="\\Windows\\system32\\winload.exe",
        )
        number = named if self.config_number is None else self.config_number
        place = config(self.recovery_named * MIB, disk=NO_GUID, number=number)
        files: dict[int, Files] = {
            1: {"/bootmgr": b"\xe9stub" + bytes(600), "/Boot/BCD": store.write()},
            2: {"/Windows/System32/winload.exe": program(), CONFIG: place},
            3: {IMAGE: WIM, RAM_DISK: b"$SDI0001" + bytes(504)},
        }
        end = 101 + self.system_mib
        parts = [
            partition(1, 1, 100, type="07", guid=None, of={"id": "B001"}),
            partition(2, 101, self.system_mib, type="07", guid=None, of={"id": "B002"}),
            partition(3, end, 150, type="27", guid=None, of={"id": "B003"}),
        ]
        held = []
        for item in parts:
            kept = {
                path: data for path, data in files[item.number].items() if path not in self.gone
            }
            sizes = {path: len(data) for path, data in kept.items()}
            record = assemble(kept, "ntfs", sizes, self.head)
            held.append(
                item.model_copy(update={"boot": record, "active": item.number in self.active})
            )
        table = {"scheme": "mbr", "disk_id": f"{self.signature:08X}", "mbr": self._mbr()}
        return drive(held, table=table, **self.info)

    def _mbr(self) -> Mbr:
        return Mbr(
            signature_ok=True,
            disk_signature=f"{self.signature:08X}",
            records=(),
            kind="classic",
            boot_code_zero=not self.code,
        )


def linux_drive(
    files: Files | None = None,
    *,
    root_uuid: str = "11112222-3333-4444-8555-666677778888",
    number: int = 2,
    **info: Any,
) -> Header:
    """Return a drive with an EFI system partition and a Linux root filesystem."""
    parts = [
        looked_at(
            partition(1, 1, 100, "fat32", type=EFI, of={"id": "AAAA-0001"}),
            {FALLBACK: program()},
        ),
        looked_at(
            partition(number, 101, 500, "ext4", type=DATA, of={"id": root_uuid, "label": "quire"}),
            {"/etc/fstab": b"proc /proc proc defaults 0 0\n"} if files is None else files,
        ),
    ]
    return drive(parts, **info)


def data_drive() -> Header:
    """Return a drive that starts nothing: one partition of pictures."""
    return drive([looked_at(partition(1, 1, 500), {})])


def clone(new: Machine | BiosMachine, old: Machine | BiosMachine | None = None) -> Case:
    """Return the case of a machine and its clone."""
    before = old or (Machine() if isinstance(new, Machine) else BiosMachine())
    return case_of(before.header(), new.header())
