"""The active flag, boot code, drivers, and what lies in the machine."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.rules.boot.machines import (
    SYSTEM,
    BiosMachine,
    Machine,
    clone,
    data_drive,
    linux_drive,
    system_hive,
)
from tests.rules.cases import case_of, findings, partition, quiet, told
from verify.boot.bootcode import read_mbr_code
from verify.rules.boot import boot_code, boot_driver, boot_firmware, boot_flag

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Case

ACTIVE = frozenset({1})
OTHER = frozenset({2})
BOTH = ACTIVE | OTHER
NONE: frozenset[int] = frozenset()

# --- the active flag --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "level"),
    [
        (ACTIVE, NONE, "stop"),
        (ACTIVE, BOTH, "stop"),
        (ACTIVE, OTHER, "stop"),
        (BOTH, BOTH, "note"),
        (NONE, BOTH, "stop"),
        (BOTH, ACTIVE, "note"),
    ],
)
def test_flag_when_it_is_not_on_the_one_partition_then_it_is_told(
    old: frozenset[int], new: frozenset[int], level: str
) -> None:
    """Exactly one, and the one that was it: else a stop, unless the old drive had no better."""
    case = clone(BiosMachine(active=new), BiosMachine(active=old))
    assert [item[0] for item in told(boot_flag.RULE, case)] == [level]


def test_flag_when_it_is_where_it_was_then_it_is_quiet() -> None:
    """Also on a drive that was shrunk."""
    assert quiet(boot_flag.RULE, clone(BiosMachine(system_mib=400)))


@pytest.mark.parametrize("case", [clone(Machine()), case_of(data_drive(), data_drive())])
def test_flag_when_no_bios_starts_the_drive_then_not_applicable(case: Case) -> None:
    """GPT has no such flag; a data drive starts nothing."""
    (answer,), found = boot_flag.RULE(case)
    assert (answer.outcome, found) == ("not_applicable", ())


# --- boot code --------------------------------------------------------------------------------


def with_code(machine: BiosMachine, code: bytes) -> Header:
    """Return the machine's header with recorded code in sector 0."""
    return machine.header().model_copy(update={"boot_code": read_mbr_code(code.ljust(512, b"\0"))})


def test_code_when_it_is_the_same_on_both_then_it_is_quiet() -> None:
    """Sector 0 and the boot sector of the active partition."""
    old, new = (with_code(BiosMachine(), b"\xfa\x33") for _ in range(2))
    assert quiet(boot_code.RULE, case_of(old, new))


def test_code_when_sector_0_has_none_then_it_stops() -> None:
    """A clone of partitions alone leaves sector 0 without code."""
    case = clone(BiosMachine(code=False))
    assert told(boot_code.RULE, case) == [("stop", None)]
    both = clone(BiosMachine(code=False), BiosMachine(code=False))
    assert told(boot_code.RULE, both) == [("note", None)]


def test_code_when_sector_0_holds_other_code_then_a_person_decides() -> None:
    """Another loader's first stage may be right, or start nothing."""
    case = case_of(with_code(BiosMachine(), b"\xfa"), with_code(BiosMachine(), b"\xeb"))
    assert told(boot_code.RULE, case) == [("review", None)]


def test_code_when_only_the_presence_was_recorded_then_not_examined() -> None:
    """That there is code does not say that it is the same."""
    (answer,), _ = boot_code.RULE(clone(BiosMachine()))
    assert answer.outcome == "not_examined"


def test_code_when_the_active_boot_sector_is_emptied_then_it_stops() -> None:
    """Zeros where its code was; other code is a review."""
    base = BiosMachine()
    for head, level in ((bytes(2048), "stop"), (b"\x90" * 2048, "review")):
        assert told(boot_code.RULE, clone(replace(base, head=head), base)) == [(level, 1)]


def test_code_when_the_machine_starts_by_uefi_then_not_applicable() -> None:
    """Nothing runs it."""
    assert boot_code.RULE(clone(Machine()))[0][0].outcome == "not_applicable"


# --- drivers ----------------------------------------------------------------------------------


def moved(starts: dict[str, int], bus: str | None = "nvme", before: str = "sata") -> Case:
    """Return a Windows machine whose drive is attached in another way after the clone."""
    files = {SYSTEM: system_hive(starts)}
    old = Machine(info={"bus": before}).with_files(3, files)
    return clone(Machine(info={"bus": bus}).with_files(3, files), old)


@pytest.mark.parametrize(
    ("starts", "bus", "before", "stops"),
    [
        ({"storahci": 0, "stornvme": 3}, "nvme", "sata", 1),
        ({"storahci": 0}, "nvme", "sata", 1),
        ({"storahci": 0, "stornvme": 0}, "nvme", "sata", 0),
        ({"storahci": 0, "iaStorVD": 0}, "nvme", "sata", 0),
        ({"storahci": 3, "stornvme": 0}, "sata", "nvme", 1),
        ({"storahci": 0, "stornvme": 0}, "sata", "nvme", 0),
        ({"storahci": 0, "stornvme": 3}, "sata", "sata", 0),
    ],
)
def test_driver_when_the_connection_changes_then_its_driver_has_to_start_with_the_loader(
    starts: dict[str, int], bus: str, before: str, stops: int
) -> None:
    """Start 0 is with the loader, 3 on demand (Microsoft Learn, Services registry tree)."""
    case = moved(starts, bus, before)
    assert told(boot_driver.RULE, case) == [("stop", 3)] * stops
    assert quiet(boot_driver.RULE, case) is not bool(stops)


@pytest.mark.parametrize("bus", [None, "usb"])
def test_driver_when_the_connection_is_not_known_then_not_examined(bus: str | None) -> None:
    """An image, or a drive in an adapter on the bench."""
    (answer,), found = boot_driver.RULE(moved({"storahci": 0}, bus))
    assert (answer.outcome, found) == ("not_examined", ())


def test_driver_when_a_bios_machine_moves_to_nvme_then_a_person_decides() -> None:
    """Its registry is beside: few machines start NVMe by BIOS."""
    old = BiosMachine(info={"bus": "sata"}).header()
    system = Machine().with_files(3, {SYSTEM: system_hive({"stornvme": 0})}).header().partitions[2]
    parts = [
        item.model_copy(update={"boot": system.boot}) if item.number == 2 else item
        for item in old.partitions
    ]
    old = old.model_copy(update={"partitions": tuple(parts)})
    new = old.model_copy(update={"drive": old.drive.model_copy(update={"bus": "nvme"})})
    assert told(boot_driver.RULE, case_of(old, new)) == [("review", None)]
    assert quiet(boot_driver.RULE, case_of(old, old))


def archive(*names: str) -> bytes:
    """Return a cpio archive of empty files (the kernel's "initramfs buffer format")."""
    data = b""
    for name in (*names, "TRAILER!!!"):
        text = name.encode() + b"\0"
        fields = [0] * 13
        fields[11] = len(text)
        entry = b"070701" + b"".join(b"%08X" % value for value in fields) + text
        data += entry.ljust(-(-len(entry) // 4) * 4, b"\0")
    return data


@pytest.mark.parametrize(
    ("modules", "built_in", "expected"),
    [
        (("lib/modules/1/nvme.ko",), "m", []),
        (("lib/modules/1/ahci.ko.xz",), "m", [("review", 2)]),
        (("lib/modules/1/ahci.ko",), "y", []),
    ],
)
def test_driver_when_linux_moves_to_nvme_then_ram_disk_or_kernel_has_to_bring_it(
    modules: tuple[str, ...], built_in: str, expected: list[tuple[str, int]]
) -> None:
    """A module in the archive, or `=y` in that kernel's configuration."""
    files = {
        "/boot/initrd.img-1": archive(*modules),
        "/boot/config-1": b"CONFIG_BLK_DEV_NVME=%s\n" % built_in.encode(),
        "/etc/fstab": b"proc /proc proc defaults 0 0\n",
    }
    case = case_of(linux_drive(files, bus="sata"), linux_drive(files, bus="nvme"))
    assert told(boot_driver.RULE, case) == expected


def test_driver_when_a_ram_disk_cannot_be_read_then_not_examined() -> None:
    """Zstandard's magic number: it is not unpacked here."""
    files = {"/boot/initrd.img-1": b"\x28\xb5\x2f\xfd" + bytes(60)}
    case = case_of(linux_drive(files, bus="sata"), linux_drive(files, bus="nvme"))
    (answer,), found = boot_driver.RULE(case)
    assert (answer.outcome, found) == ("not_examined", ())


# --- the machine's own memory -----------------------------------------------------------------


@pytest.mark.parametrize(
    "case", [clone(Machine()), clone(BiosMachine()), case_of(data_drive(), data_drive())]
)
def test_firmware_when_asked_then_it_is_never_examined(case: Case) -> None:
    """It says what to do: start once from the new drive alone."""
    (answer,), found = boot_firmware.RULE(case)
    assert (answer.outcome, found) == ("not_examined", ())
    assert "new drive alone" in str(answer.reason)


def test_firmware_when_a_volume_is_encrypted_then_the_recovery_key_is_spoken_of() -> None:
    """A key bound to the machine may be asked for once more."""
    plain, locked = (
        Machine().header().model_copy(update={"partitions": (partition(3, 277, 500, kind),)})
        for kind in ("ntfs", "bitlocker")
    )
    for header, spoken in ((plain, False), (locked, True)):
        (answer,), _ = boot_firmware.RULE(case_of(header, header))
        assert ("recovery key" in str(answer.reason)) is spoken
    assert findings(boot_firmware.RULE, case_of(locked, locked)) == []
