"""Loaders: missing, damaged, for another machine, or not where something names them."""

from __future__ import annotations

import pytest

from tests.boot import devices, stores
from tests.rules.boot.machines import (
    BCD,
    ESP_GUID,
    FALLBACK,
    LOADER,
    MANAGER,
    NEW_DISK,
    NEW_GUIDS,
    RECOVERY_GUID,
    SYSTEM_GUID,
    BiosMachine,
    Machine,
    clone,
    data_drive,
    linux_drive,
    program,
)
from tests.rules.cases import DISK, case_of, findings, quiet, told
from verify.rules.boot.boot_loader import RULE

REWRITTEN = Machine(disk=NEW_DISK, guids=NEW_GUIDS, named_disk=NEW_DISK, named_guids=NEW_GUIDS)


@pytest.mark.parametrize("new", [Machine(), BiosMachine(), REWRITTEN, Machine(system_mib=400)])
def test_loader_when_the_clone_holds_every_loader_then_it_is_quiet(
    new: Machine | BiosMachine,
) -> None:
    """UEFI, BIOS, with new identities, shrunk."""
    assert quiet(RULE, clone(new))


@pytest.mark.parametrize("path", [MANAGER, LOADER, FALLBACK])
@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (bytes(4096), "is all zeros"),
        (b"MZ" + bytes(4094), "is not a valid program"),
        (b"text" * 300, "is not a valid program"),
        (program(0xAA64), "another processor type"),
    ],
    ids=["empty", "zeros", "cut", "text", "other machine"],
)
def test_loader_when_its_head_is_not_the_old_ones_then_it_stops(
    path: str, data: bytes, words: str
) -> None:
    """The PE format: `MZ`, `PE` where byte 0x3C says, the machine (AA64: ARM64)."""
    number = 3 if path == LOADER else 1
    bad = Machine().with_files(number, {path: data})
    assert told(RULE, clone(bad)) == [("stop", number)]
    assert words in findings(RULE, clone(bad))[0].message


def test_loader_when_the_old_one_is_bad_as_well_then_it_is_a_note() -> None:
    """What did not start on the old drive is no fault of the clone."""
    bad = Machine().with_files(1, {MANAGER: bytes(4096)})
    assert told(RULE, clone(bad, bad)) == [("note", 1)]


@pytest.mark.parametrize("path", [MANAGER, LOADER])
def test_loader_when_it_is_missing_where_the_store_names_it_then_it_stops(path: str) -> None:
    """Gone, and named: both are reported."""
    case = clone(Machine().without(path))
    assert {level for level, _ in told(RULE, case)} == {"stop"}
    assert any("named by the boot store" in item.message for item in findings(RULE, case))


def test_loader_when_the_named_file_never_was_there_then_it_is_a_note() -> None:
    """The old drive's store named it as vainly."""
    lacking = Machine().without(LOADER)
    assert told(RULE, clone(lacking, lacking)) == [("note", 1)]


def test_loader_when_the_store_was_rewritten_to_another_path_then_it_has_to_be_there() -> None:
    """The target is judged on its own: a new path is looked up as well."""
    parts = (devices.gpt(guid, DISK) for guid in (ESP_GUID, SYSTEM_GUID, RECOVERY_GUID))
    elsewhere = stores.small_store(*parts, loader="\\Windows\\System32\\Boot\\winload.efi")
    new = Machine().with_files(1, {BCD: elsewhere.write()})
    assert ("stop", 1) in told(RULE, clone(new))
    there = new.with_files(3, {"/Windows/System32/Boot/winload.efi": program()})
    assert quiet(RULE, clone(there))


def test_loader_when_the_bios_boot_manager_is_no_program_image_then_that_is_its_nature() -> None:
    r"""`\bootmgr` begins with a 16-bit stub; gone, it stops."""
    assert quiet(RULE, clone(BiosMachine()))
    case = clone(BiosMachine(gone=frozenset({"/bootmgr"})))
    assert {level for level, _ in told(RULE, case)} == {"stop"}


def test_loader_when_the_boot_partition_is_missing_then_it_stops() -> None:
    """The target lost the partition that starts the machine."""
    new = Machine().header()
    lost = new.model_copy(update={"partitions": new.partitions[1:]})
    assert ("stop", 1) in told(RULE, case_of(Machine().header(), lost))


def test_loader_when_the_partitions_guid_is_new_then_the_fallback_loader_has_to_be_there() -> None:
    """Firmware's entry holds the partition's GUID (UEFI 2.10, 10.3.5.1)."""
    old = Machine().without(FALLBACK)
    assert quiet(RULE, clone(old, old))
    assert told(RULE, clone(REWRITTEN.without(FALLBACK), old)) == [("stop", 1)]


def test_loader_when_neither_drive_starts_anything_then_not_applicable() -> None:
    """Pictures alone."""
    (answer,), found = RULE(case_of(data_drive(), data_drive()))
    assert (answer.outcome, found) == ("not_applicable", ())


def test_loader_when_a_partition_was_not_looked_at_then_not_examined() -> None:
    """Its loader may be there or not."""
    new = Machine().header()
    parts = [item.model_copy(update={"boot": None}) for item in new.partitions[:1]]
    unseen = new.model_copy(update={"partitions": (*parts, *new.partitions[1:])})
    assert "not_examined" in [item.outcome for item in RULE(case_of(new, unseen))[0]]


@pytest.mark.parametrize("config", ["/boot/grub/grub.cfg", "/boot/loader/entries/a.conf"])
def test_loader_when_a_kernel_is_named_and_gone_then_it_stops(config: str) -> None:
    """GRUB and boot loader entries both say `linux /path`."""
    files = {config: b"linux /boot/vmlinuz-1\ninitrd /boot/initrd.img-1\n"}
    kernel = {"/boot/vmlinuz-1": program()}
    ram_disk = {"/boot/initrd.img-1": b""}
    whole = linux_drive(files | kernel | ram_disk)
    assert quiet(RULE, case_of(whole, whole))
    messages = [
        item.message for item in findings(RULE, case_of(whole, linux_drive(files | kernel)))
    ]
    assert messages == [f"{config} names /boot/initrd.img-1, which is missing on the new drive."]
