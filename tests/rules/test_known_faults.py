"""An old fault excuses the same fault at the same place with the same value, and no other one.

For every rule that tells faults of both drives: a good drive, and two that have each its own fault.
What the rule says of a good drive's clone with the second fault it has to say of the clone of a
drive that had the first one, too.
"""

from __future__ import annotations

import ast
import struct
from dataclasses import replace
from functools import reduce
from operator import xor
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.boot import devices, stores
from tests.rules.boot.machines import (
    BCD,
    CONFIG,
    ESP_GUID,
    IMAGE,
    LOADER,
    MANAGER,
    NEW_DISK,
    NEW_GUIDS,
    RECOVERY_GUID,
    SYSTEM_GUID,
    WIM,
    BiosMachine,
    Machine,
    config,
    linux_drive,
    looked_at,
)
from tests.rules.cases import (
    DISK,
    EFI,
    MIB,
    SECTOR,
    case_of,
    changed,
    drive,
    gpt_copy,
    guid,
    partition,
    refiled,
    usual,
)
from verify.boot.boot_record import GrubCore
from verify.filesystem.description import Backup
from verify.rules.catalogue import RULES
from verify.rules.rule import Level
from verify.table.partition_table import Checked

if TYPE_CHECKING:
    from verify.manifest.header import Header

BY_SLUG = {rule.slug: rule for rule in RULES}
ORDER = list(Level)


def store_of(*guids: str, disk: str = DISK) -> bytes:
    """Return a boot store for these partitions."""
    return stores.small_store(*(devices.gpt(item, disk) for item in guids)).write()


def left_open(store: bytes, by: int) -> bytes:
    """Return a store whose first sequence number is ahead of the second one (regf, bytes 4 and 8).

    The checksum at 508 is the XOR of the 127 numbers before it.
    """
    data = bytearray(store)
    (second,) = struct.unpack_from("<I", data, 8)
    struct.pack_into("<I", data, 4, second + by)
    struct.pack_into("<I", data, 508, reduce(xor, struct.unpack_from("<127I", data)))
    return bytes(data)


def windows(number: int = 3, **files: bytes) -> Header:
    """Return a Windows machine with other files on one partition."""
    return Machine().with_files(number, files).header()


def with_system(**changes: object) -> Header:
    """Return the usual drive, its system volume's description changed."""
    return drive(refiled(usual(), 3, **changes))


def with_backup(state: str, detail: str | None = None) -> Header:
    """Return a drive whose system volume keeps a copy of its boot sector."""
    return with_system(backup=Backup(place="last sector", offset=1, state=state, detail=detail))  # type: ignore[arg-type]


def with_table(**changes: object) -> Header:
    """Return the usual drive with another primary GPT header."""
    sectors = 1000 * MIB // SECTOR
    return drive(usual(), table={"primary": gpt_copy(1, sectors, **changes)})


def bios(number: int, hidden: int | None) -> Header:
    """Return a BIOS machine whose boot sector has a number of sectors in front of it."""
    plain = BiosMachine().header()
    held = refiled(list(plain.partitions), number, hidden_sectors=hidden)
    return plain.model_copy(update={"partitions": tuple(held)})


def sized(*places: tuple[float, float]) -> Header:
    """Return a drive with partitions at these places (start, size, in MiB)."""
    return drive([partition(at, *place) for at, place in enumerate(places, 1)])


def esp(free_mib: float) -> Header:
    """Return a drive with an EFI system partition of 100 MiB, so much of it free."""
    filesystem = {"free_bytes": int(free_mib * MIB)}
    return drive([partition(1, 1, 100, "fat32", type=EFI, of=filesystem), partition(2, 101, 500)])


def linux(uuid: str) -> Header:
    """Return a Linux drive whose fstab names a root filesystem that may be elsewhere."""
    return linux_drive({"/etc/fstab": f"UUID={uuid} / ext4 defaults 0 1\n".encode()})


def grub(**changes: object) -> Header:
    """Return a BIOS machine whose sector 0 starts GRUB."""
    core = replace(GrubCore(place=0, runs=((1, 1), (2, 60)), digest="AA" * 32), **changes)  # type: ignore[arg-type]
    return BiosMachine().header().model_copy(update={"grub": (core,)})


def boot_ini(number: int) -> Header:
    """Return a drive whose boot.ini starts its system from a partition by its number."""
    files = {
        "/ntldr": b"\xe9" * 600,
        "/boot.ini": b"default=multi(0)disk(0)rdisk(0)partition(%d)\\WINDOWS" % number,
    }
    only = partition(1, 1, 500, type="07", guid=None, active=True)
    return drive([looked_at(only, files)], table={"scheme": "mbr"})


def recovery(type_: str, attributes: int) -> Header:
    """Return a Windows machine whose recovery partition has another type, or attributes."""
    plain = Machine().header()
    held = changed(list(plain.partitions), 4, type=type_, attributes=attributes)
    return plain.model_copy(update={"partitions": tuple(held)})


GOOD = Machine().header()
MARKS = 0x8000_0000_0000_0001
RECOVERY = "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC"
WRONG_CRC = "its checksum is wrong"

FAULTS: dict[str, tuple[str, Header, Header, Header]] = {
    "sector-size: made for others": (
        "sector-size",
        with_system(sector_bytes=SECTOR),
        with_system(sector_bytes=2048),
        with_system(sector_bytes=4096),
    ),
    "table-intact: two damages of one header": (
        "table-intact",
        with_table(),
        with_table(problem=WRONG_CRC, header_crc32=Checked(stored=1, computed=7)),
        with_table(problem=WRONG_CRC, header_crc32=Checked(stored=1, computed=8)),
    ),
    "table-intact: two damages of one array": (
        "table-intact",
        with_table(),
        with_table(entries_problem=WRONG_CRC, entries_crc32=Checked(stored=2, computed=7)),
        with_table(entries_problem=WRONG_CRC, entries_crc32=Checked(stored=2, computed=8)),
    ),
    "partition-guid: shared with another one": (
        "partition-guid",
        drive([partition(1, 1, 100), partition(2, 101, 100)]),
        drive([partition(1, 1, 100, guid=guid(1)), partition(2, 101, 100, guid=guid(1))]),
        drive([partition(1, 1, 100, guid=guid(7)), partition(2, 101, 100, guid=guid(7))]),
    ),
    "partition-bounds: more of it lies behind the drive": (
        "partition-bounds",
        sized((1, 500)),
        sized((1, 1000)),
        sized((1, 1400)),
    ),
    "partition-bounds: overlaps more": (
        "partition-bounds",
        sized((1, 100), (101, 100)),
        sized((1, 101), (101, 100)),
        sized((1, 150), (101, 100)),
    ),
    "filesystem-span: reaches further past the end": (
        "filesystem-span",
        with_system(size_bytes=500 * MIB),
        with_system(size_bytes=501 * MIB),
        with_system(size_bytes=600 * MIB),
    ),
    "filesystem-dirty: another state": (
        "filesystem-dirty",
        with_system(clean=True),
        with_system(clean=False, state=("not dismounted",)),
        with_system(clean=False, state=("errors noted",)),
    ),
    "boot-sector-backup: missing, not different": (
        "boot-sector-backup",
        with_backup("same"),
        with_backup("differs", "byte 11"),
        with_backup("missing"),
    ),
    "hidden-sectors: another wrong number": (
        "hidden-sectors",
        bios(1, 2048),
        bios(1, 63),
        bios(1, 64),
    ),
    "boot-flag: on no partition, and on two": (
        "boot-flag",
        BiosMachine().header(),
        BiosMachine(active=frozenset()).header(),
        BiosMachine(active=frozenset({1, 2})).header(),
    ),
    "boot-flag: on two others": (
        "boot-flag",
        BiosMachine().header(),
        BiosMachine(active=frozenset({1, 2})).header(),
        BiosMachine(active=frozenset({1, 3})).header(),
    ),
    "boot-loader: emptied, and missing": (
        "boot-loader",
        GOOD,
        windows(1, **{MANAGER: b""}),
        Machine().without(MANAGER).header(),
    ),
    "boot-loader: two sorts of no program": (
        "boot-loader",
        GOOD,
        windows(3, **{LOADER: b"MZ" + bytes(range(1, 200))}),
        windows(3, **{LOADER: bytes(range(1, 200))}),
    ),
    "boot-reference: dangling elsewhere": (
        "boot-reference",
        GOOD,
        windows(1, **{BCD: store_of(ESP_GUID, NEW_GUIDS[1], RECOVERY_GUID)}),
        windows(1, **{BCD: store_of(ESP_GUID, SYSTEM_GUID, RECOVERY_GUID, disk=NEW_DISK)}),
    ),
    "boot-reference: closed, and left open otherwise": (
        "boot-reference",
        GOOD,
        windows(1, **{BCD: left_open(store_of(ESP_GUID, SYSTEM_GUID, RECOVERY_GUID), 1)}),
        windows(1, **{BCD: left_open(store_of(ESP_GUID, SYSTEM_GUID, RECOVERY_GUID), 2)}),
    ),
    "boot-reference: unreadable otherwise": (
        "boot-reference",
        GOOD,
        windows(1, **{BCD: b"regf"}),
        windows(1, **{BCD: bytes(8192)}),
    ),
    "boot-reference: Linux, another name that is nowhere": (
        "boot-reference",
        linux("11112222-3333-4444-8555-666677778888"),
        linux("99992222-3333-4444-8555-666677778888"),
        linux("99992222-3333-4444-8555-666677779999"),
    ),
    "recovery-reference: another place": (
        "recovery-reference",
        GOOD,
        windows(3, **{CONFIG: config(5 * MIB)}),
        windows(3, **{CONFIG: config(6 * MIB)}),
    ),
    "recovery-reference: unreadable otherwise": (
        "recovery-reference",
        GOOD,
        windows(3, **{CONFIG: b"<WindowsRE"}),
        windows(3, **{CONFIG: bytes(900)}),
    ),
    "recovery-image: damaged, and missing": (
        "recovery-image",
        GOOD,
        windows(4, **{IMAGE: bytes(300) + WIM}),
        Machine().without(IMAGE).header(),
    ),
    "recovery-image: damaged alike, and shorter": (
        "recovery-image",
        GOOD,
        windows(4, **{IMAGE: bytes(300) + WIM}),
        windows(4, **{IMAGE: bytes(300)}),
    ),
    "recovery-image: zeros where a damaged header was": (
        "recovery-image",
        GOOD,
        windows(4, **{IMAGE: b"\1" + WIM[1:]}),
        windows(4, **{IMAGE: bytes(len(WIM))}),
    ),
    "recovery-place: another wrong type": (
        "recovery-place",
        GOOD,
        recovery("EBD0A0A2-B9E5-4433-87C0-68B6B72699C7", MARKS),
        recovery("0FC63DAF-8483-4772-8E79-3D69D8477DE4", MARKS),
    ),
    "recovery-place: one mark, then none": (
        "recovery-place",
        GOOD,
        recovery(RECOVERY, 1),
        recovery(RECOVERY, 0),
    ),
    "boot-code: GRUB's core image emptied, and then unreadable": (
        "boot-code",
        grub(),
        grub(problem="sector 1, where it begins, holds something else"),
        grub(problem="its sectors cannot be read: input/output error"),
    ),
    "boot-reference: boot.ini, another number": (
        "boot-reference",
        boot_ini(1),
        boot_ini(7),
        boot_ini(8),
    ),
    "free-space-boot: less than there was": ("free-space-boot", esp(50), esp(4), esp(1)),
}
"""What is varied, the rule, and three drives: a good one, one with a fault, one with another."""

ONE_VALUE = {
    "filesystem-log": "changes wait in it, or they do not",
    "free-space-recovery": "it says no more than a note",
}
"""Rules whose faults have one value alone, or weigh nothing, and why."""


def levels(slug: str, source: Header, target: Header) -> list[Level]:
    """Return the levels that one rule tells, the worst first."""
    _, found = BY_SLUG[slug](case_of(source, target))
    return sorted((item.level for item in found), key=ORDER.index)


@pytest.mark.parametrize("name", FAULTS)
def test_fault_when_the_old_drive_has_another_one_then_it_is_no_excuse(name: str) -> None:
    """As bad as on the clone of a good drive."""
    slug, good, one, other = FAULTS[name]
    alone = levels(slug, good, other)
    assert alone[0] is not Level.NOTE
    assert levels(slug, one, other)[0] is alone[0]


@pytest.mark.parametrize("name", FAULTS)
def test_fault_when_the_old_drive_has_the_same_one_then_it_is_at_most_a_note(name: str) -> None:
    """A clone is no better than its drive, and no worse."""
    slug, _, one, other = FAULTS[name]
    for header in (one, other):
        assert set(levels(slug, header, header)) <= {Level.NOTE}


def test_rules_when_they_tell_faults_of_both_drives_then_each_stands_here() -> None:
    """By the source: whoever calls `tell_fault`, itself or by a module that it shares."""
    rules = Path(__file__).parents[2] / "verify" / "rules"
    shared = {
        "store.py": {"boot-reference"},
        "start_lists.py": {"boot-reference"},
        "grub.py": {"boot-code"},
        "shares.py": {"free-space-boot"},
        "shared.py": set(),
    }
    callers: set[str] = set()
    for path in rules.rglob("*.py"):
        calls = {
            node.func.id
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        if "tell_fault" in calls:
            callers |= shared.get(path.name, {path.stem.replace("_", "-")})
    assert callers == {slug for slug, *_ in FAULTS.values()} | set(ONE_VALUE)
