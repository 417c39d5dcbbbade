"""What a boot store, Linux configuration and drive letters name, resolved on both drives.

Expectations: the table of cases in docs/formats/bcd.md, worked out from what each scheme keeps of
a partition (GUIDs; signature and place in bytes).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.boot import devices, stores
from tests.boot.hives import REG_BINARY
from tests.rules.boot.machines import (
    BCD,
    ESP_GUID,
    NEW_DISK,
    NEW_GUIDS,
    RECOVERY_GUID,
    SYSTEM,
    SYSTEM_GUID,
    BiosMachine,
    Machine,
    clone,
    data_drive,
    linux_drive,
    looked_at,
    program,
    system_hive,
)
from tests.rules.cases import DISK, EFI, case_of, drive, findings, partition, quiet, told
from verify.boot.boot_record import BootRecord
from verify.boot.store_record import Device
from verify.rules.boot.boot_reference import RULE
from verify.rules.boot.resolve import locate
from verify.structs.regf import base_block_checksum

if TYPE_CHECKING:
    from pathlib import Path

    from verify.rules.rule import Case

NEW = Machine(disk=NEW_DISK, guids=NEW_GUIDS)
REWRITTEN = replace(NEW, named_disk=NEW_DISK, named_guids=NEW_GUIDS)


def stops(case: Case) -> list[str]:
    """Return the sentences of the stops."""
    return [item.message for item in findings(RULE, case) if item.level == "stop"]


# --- the boot store ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "new",
    [
        Machine(),
        REWRITTEN,
        Machine(system_mib=400, recovery_named=677),
        BiosMachine(),
        BiosMachine(signature=0xDEADBE01, named_signature=0xDEADBE01),
    ],
    ids=["same", "rewritten", "moved on GPT", "same by BIOS", "rewritten by BIOS"],
)
def test_reference_when_identities_and_references_fit_then_it_is_quiet(
    new: Machine | BiosMachine,
) -> None:
    """The same GUIDs, or new ones that the store names, are right; so is a move on GPT."""
    assert quiet(RULE, clone(new))


def test_reference_when_guids_are_new_and_the_store_names_the_old_then_it_stops() -> None:
    """Boot manager, loader and recovery lead nowhere: stop; resuming alone is a review."""
    case = clone(NEW)
    assert [level for level, _ in told(RULE, case)] == ["stop", "stop", "review", "stop"]
    assert all("has a different identifier" in text for text in stops(case))


def test_reference_when_one_partition_has_a_new_guid_then_its_elements_alone_stop() -> None:
    """A new GUID for the system partition: loader and resume dangle, recovery resolves."""
    case = clone(Machine(guids=(ESP_GUID, NEW_GUIDS[1], RECOVERY_GUID)))
    (text,) = stops(case)
    assert SYSTEM_GUID in text
    assert "has no such partition" in text
    assert [level for level, _ in told(RULE, case)] == ["stop", "review"]


def test_reference_when_the_disk_guid_alone_is_new_then_that_is_said() -> None:
    """Both identities have to fit; that the partition's alone would is in the sentence."""
    texts = stops(clone(Machine(disk=NEW_DISK)))
    assert texts
    assert all("the partition's GUID matches" in text for text in texts)


def test_reference_when_it_dangled_on_the_old_drive_as_well_then_it_is_a_note() -> None:
    """A fault that the source has too is no fault of the clone."""
    case = clone(NEW, NEW)
    assert {level for level, _ in told(RULE, case)} == {"note"}
    assert all("as on the old drive" in item.message for item in findings(RULE, case))


def test_reference_when_the_old_drive_alone_dangled_then_the_new_one_is_right() -> None:
    """A clone that repairs what was wrong is no worse for it."""
    assert quiet(RULE, clone(Machine(), NEW))


def test_reference_when_a_partition_moved_on_mbr_then_what_names_its_place_stops() -> None:
    """Signature and byte offset: 101 + 500 MiB is stale once the system holds 400 MiB."""
    (text,) = stops(clone(BiosMachine(system_mib=400)))
    assert str((101 + 500) << 20) in text
    assert "recovery" in text


def test_reference_when_the_signature_is_new_on_mbr_then_everything_stops() -> None:
    """No place of a drive with another signature is the one that is named."""
    assert len(stops(clone(BiosMachine(signature=0xDEADBE01)))) == 3


def test_reference_when_the_new_drive_is_mbr_then_gpt_elements_lead_nowhere() -> None:
    """A conversion without a rewritten store."""
    case = case_of(Machine().header(), BiosMachine().header())
    assert "/EFI/Microsoft/Boot/BCD is missing on the new drive" in " ".join(stops(case))


def test_reference_when_the_store_is_gone_then_it_stops() -> None:
    """A target that lost its boot store is no data drive."""
    case = clone(Machine().without(BCD))
    assert told(RULE, case) == [("stop", 1)]


@pytest.mark.parametrize("data", [b"", b"no hive at all" * 300, bytes(8192)])
def test_reference_when_the_store_cannot_be_read_then_it_stops(data: bytes) -> None:
    """Empty, something else, or zeros in its place."""
    case = clone(Machine().with_files(1, {BCD: data}))
    assert told(RULE, case)[0] == ("stop", 1)
    assert "cannot be read" in stops(case)[0]


def test_reference_when_the_store_is_dirty_then_it_is_said() -> None:
    """Sequence numbers at bytes 4 and 8 of the base block differ: a change is pending."""
    data = bytearray(Machine().store())
    data[4] += 1
    data[508:512] = base_block_checksum(bytes(data)).to_bytes(4, "little")
    dirty = Machine().with_files(1, {BCD: bytes(data)})
    assert told(RULE, clone(dirty)) == [("review", 1)]
    assert told(RULE, clone(dirty, dirty)) == [("note", 1)]


def _inside(guid: str) -> bytes:
    """Return a virtual disk in a file on a partition."""
    return devices.virtual_disk(devices.file(devices.gpt(guid, DISK), "\\a.vhdx"))


def store_with(number: str, device: bytes) -> bytes:
    """Return the usual store with another device in one element of the loader."""
    builder = stores.small_store(*(devices.gpt(g, DISK) for g in Machine().named_guids))
    loader = next(
        key for key in builder.root.add("Objects").keys if key.name == "{" + stores.LOADER + "}"
    )
    element = loader.add("Elements", number)
    element.values = [("Element", REG_BINARY, devices.element(device))]
    return builder.write()


def test_reference_when_a_reachable_layout_is_not_understood_then_not_examined() -> None:
    """An unknown shape never resolves, and never dangles."""
    odd = store_with("11000001", devices.descriptor(2, 0, bytes(56)))
    outcomes, found = RULE(clone(Machine().with_files(1, {BCD: odd})))
    assert found == ()
    (answer,) = [item for item in outcomes if item.outcome == "not_examined"]
    assert "unknown layout" in str(answer.reason)


@pytest.mark.parametrize(
    ("device", "count"),
    [
        (devices.boot(), 0),
        (devices.file(devices.gpt(SYSTEM_GUID, DISK), "\\a.vhdx"), 0),
        (_inside(SYSTEM_GUID), 0),
        (devices.locate(_inside(SYSTEM_GUID), 0x12000002), 0),
        (devices.locate(_inside(NEW_GUIDS[1]), 0x12000002), 1),
        (devices.file(devices.gpt(NEW_GUIDS[1], DISK), "\\a.vhdx"), 1),
    ],
    ids=["boot", "file", "virtual disk", "locate", "locate elsewhere", "file elsewhere"],
)
def test_reference_when_devices_lie_in_devices_then_the_innermost_decides(
    device: bytes, count: int
) -> None:
    """Whatever the outer form, it lies on a partition in the end, or on what was started from."""
    case = clone(Machine().with_files(1, {BCD: store_with("21000001", device)}))
    assert len(stops(case)) == count
    outcomes = [item.outcome for item in RULE(case)[0]]
    assert "not_examined" not in outcomes


def test_reference_when_an_unreachable_object_names_another_drive_then_it_is_quiet() -> None:
    """The made store holds a firmware entry of a third drive, as a real one does."""
    header = Machine().header()
    record = header.partitions[0].boot
    assert record is not None
    other = [
        item.device.innermost.disk_id
        for item in record.stores[0].references
        if not item.reachable and item.device.innermost.disk_id != DISK
    ]
    assert other == [stores.OTHER_DISK]
    assert quiet(RULE, case_of(header, header.model_copy(update={"drive": header.drive})))


def test_reference_when_the_store_is_real_then_its_reachable_elements_alone_count(
    corpus: Path,
) -> None:
    """A real store on a drive with its identities is quiet, although it names other drives."""
    data = (corpus / "bcd-regipy.bcd").read_bytes()
    record = looked_at(partition(1, 1, 100, "fat32", type=EFI), {BCD: data}).boot
    assert record is not None
    references = record.stores[0].references
    inner = [item.device.innermost for item in references if item.reachable]
    disks = {item.disk_id for item in inner if item.kind == "partition"}
    guids = sorted({str(item.partition_id) for item in inner if item.kind == "partition"})
    assert len(disks) == 1
    assert {item.device.innermost.disk_id for item in references} - disks - {None}
    parts = [
        partition(number, 1 + 100 * number, 100, guid=guid).model_copy(
            update={"boot": record if number == 1 else BootRecord()}
        )
        for number, guid in enumerate(guids, 1)
    ]
    header = drive(parts, table={"disk_id": disks.pop()})
    assert quiet(RULE, case_of(header, header))
    other = header.model_copy(update={"table": replace(header.table, disk_id=NEW_DISK)})
    assert stops(case_of(header, other))


def test_reference_when_the_default_entry_is_not_in_the_store_then_it_stops() -> None:
    """The boot manager starts by default what is not there."""
    builder = stores.small_store(*(devices.gpt(g, DISK) for g in Machine().named_guids))
    objects = builder.root.add("Objects")
    objects.keys = [key for key in objects.keys if key.name != "{" + stores.LOADER + "}"]
    case = clone(Machine().with_files(1, {BCD: builder.write()}))
    assert any(stores.LOADER.upper() in text for text in stops(case))


def store_without(*elements: tuple[str, str]) -> bytes:
    """Return the usual store without some elements: (object, element), or whole objects."""
    builder = stores.small_store(*(devices.gpt(g, DISK) for g in Machine().named_guids))
    objects = builder.root.add("Objects")
    for guid, number in elements:
        held = objects.add("{" + guid + "}") if number else objects
        kept = held.add("Elements") if number else held
        gone = number or "{" + guid + "}"
        kept.keys = [key for key in kept.keys if key.name != gone]
    return builder.write()


@pytest.mark.parametrize(
    ("gone", "words"),
    [
        ([(stores.MANAGER, "")], "lacks the boot manager's own entry"),
        ([(stores.MANAGER, "23000003"), (stores.MANAGER, "24000001")], "offers no entry"),
        ([(stores.LOADER, "")], "offers no entry"),
        ([(stores.LOADER, "11000001")], "offers no entry"),
        ([(stores.LOADER, "12000002")], "offers no entry"),
        ([(stores.LOADER, "22000002")], "offers no entry"),
    ],
)
def test_reference_when_nothing_in_the_store_starts_a_system_then_it_stops(
    gone: list[tuple[str, str]], words: str
) -> None:
    """Microsoft Learn: an entry needs its device and path, a system its own. As before: a note."""
    new = Machine().with_files(1, {BCD: store_without(*gone)})
    said = [item for item in findings(RULE, clone(new)) if words in item.message]
    assert [str(item.level) for item in said] == ["stop"]
    assert {level for level, _ in told(RULE, clone(new, new))} <= {"note"}


def test_reference_when_the_menu_starts_a_system_without_a_default_then_it_is_startable() -> None:
    """The first of the menu is started; a lost default is reported as a difference."""
    new = Machine().with_files(1, {BCD: store_without((stores.MANAGER, "23000003"))})
    assert [level for level, _ in told(RULE, clone(new))] == ["review"]


def test_reference_when_something_else_in_the_store_differs_then_a_person_decides() -> None:
    """A rewritten store differs in its devices alone."""
    builder = stores.small_store(*(devices.gpt(g, DISK) for g in Machine().named_guids))
    builder.string(stores.LOADER, "12000030", "debug")
    case = clone(Machine().with_files(1, {BCD: builder.write()}))
    assert told(RULE, case) == [("review", 1)]


def test_reference_when_a_store_lies_where_firmware_never_starts_then_it_is_a_note() -> None:
    """A store on the system partition of a UEFI machine does not matter."""
    stray = {"/Boot/BCD": stores.small_store(devices.gpt(NEW_GUIDS[0], DISK)).write()}
    levels = {level for level, _ in told(RULE, clone(Machine().with_files(3, stray)))}
    assert levels == {"note"}


def test_locate_when_sectors_are_4096_then_places_are_still_bytes() -> None:
    """Start 256 of 4,096-byte sectors is byte 1,048,576."""
    item = partition(1, 0, 1).model_copy(update={"start_lba": 256})
    header = drive([item], table={"scheme": "mbr", "disk_id": "00C0FFEE", "sector_bytes": 4096})
    device = Device(kind="partition", scheme="mbr", disk_id="00C0FFEE", partition_offset=1_048_576)
    assert locate(header, device, item).partition == item


# --- who takes part ---------------------------------------------------------------------------


def test_reference_when_neither_drive_starts_anything_then_not_applicable() -> None:
    """Pictures alone."""
    (answer,), found = RULE(case_of(data_drive(), data_drive()))
    assert (answer.outcome, found) == ("not_applicable", ())
    assert answer.reason


def test_reference_when_the_new_drive_lost_everything_then_it_is_no_data_drive() -> None:
    """Decided from both sides."""
    assert stops(case_of(Machine().header(), data_drive()))


def test_reference_when_files_were_not_looked_at_then_not_examined() -> None:
    """An older manifest, or a partition whose files no reader could list."""
    new = Machine().header()
    parts = [item.model_copy(update={"boot": None}) for item in new.partitions[2:]]
    header = new.model_copy(update={"partitions": (*new.partitions[:2], *parts)})
    outcomes = [item.outcome for item in RULE(case_of(Machine().header(), header))[0]]
    assert "not_examined" in outcomes


# --- drive letters ----------------------------------------------------------------------------


def letters(guid: str) -> dict[str, bytes]:
    """Return the files of a system that keeps C: for a GPT partition (libyal, winreg-kb)."""
    return {SYSTEM: system_hive(letters={"C:": b"DMIO:ID:" + devices.guid(guid)})}


def test_reference_when_a_letter_is_kept_for_a_lost_guid_then_a_person_decides() -> None:
    """The registry names the old partition; the new one has another GUID."""
    old = Machine().with_files(3, letters(SYSTEM_GUID))
    new = REWRITTEN.with_files(3, letters(SYSTEM_GUID))
    assert told(RULE, clone(new, old)) == [("review", 3)]
    assert "C:" in findings(RULE, clone(new, old))[0].message


def test_reference_when_a_letter_is_kept_for_what_is_there_then_it_is_quiet() -> None:
    """The same GUID; or one of a drive that neither side is."""
    same = Machine().with_files(3, letters(SYSTEM_GUID))
    assert quiet(RULE, clone(same, same))
    third = Machine().with_files(3, letters("12345678-0000-4000-8000-000000000009"))
    assert quiet(RULE, clone(third, third))


# --- Linux ------------------------------------------------------------------------------------

ROOT = "11112222-3333-4444-8555-666677778888"
OTHER_ROOT = "99992222-3333-4444-8555-666677778888"


def linux_case(
    line: str, file: str = "/etc/fstab", *, number: int = 2, uuid: str = ROOT, **target: Any
) -> Case:
    """Return a Linux machine with one line of configuration, and its clone."""
    files = {file: line.encode() + b"\n"}
    info: dict[str, Any] = {"serial": "OLDSERIAL1", "bus": "sata"}
    old = linux_drive(files, **info)
    new = linux_drive(files, number=number, root_uuid=uuid, **({"bus": "sata"} | target))
    return case_of(old, new)


@pytest.mark.parametrize(
    ("line", "file", "level"),
    [
        (f"UUID={ROOT} / ext4 defaults 0 1", "/etc/fstab", "stop"),
        (f"UUID={ROOT} /srv ext4 nofail 0 1", "/etc/fstab", "note"),
        (f"UUID={ROOT} none swap sw 0 0", "/etc/fstab", "review"),
        (f"/dev/disk/by-uuid/{ROOT} / ext4 defaults 0 1", "/etc/fstab", "stop"),
        (f"vault UUID={ROOT} none luks", "/etc/crypttab", "stop"),
        (f"search --no-floppy --fs-uuid --set=root {ROOT}", "/boot/grub/grub.cfg", "stop"),
        (f"linux /vmlinuz root=UUID={ROOT} ro", "/boot/grub/grub.cfg", "stop"),
        (f"options root=UUID={ROOT} rw", "/boot/loader/entries/a.conf", "stop"),
        (f"linux /vmlinuz resume=UUID={ROOT}", "/boot/grub/grub.cfg", "review"),
        (f'GRUB_CMDLINE_LINUX="root=UUID={ROOT}"', "/etc/default/grub", "review"),
    ],
)
def test_linux_when_a_uuid_is_on_the_old_drive_alone_then_its_purpose_weighs(
    line: str, file: str, level: str
) -> None:
    """What a start needs stops; the same line with the same UUID on the new drive is quiet."""
    assert told(RULE, linux_case(line, file, uuid=OTHER_ROOT)) == [(level, 2)]
    assert quiet(RULE, linux_case(line, file))


@pytest.mark.parametrize(
    "name",
    [
        "PARTUUID=0ac0ffee-0000-4000-8000-000000000002",
        "LABEL=quire",
        "UUID=AAAA-0001",
        f"UUID={ROOT.upper()}",
    ],
)
def test_linux_when_a_tag_fits_a_partition_then_it_is_quiet(name: str) -> None:
    """The kernel's and udev's names for GPT entries, labels and FAT serial numbers."""
    assert quiet(RULE, linux_case(f"{name} / ext4 defaults 0 1"))


def test_linux_when_an_mbr_partition_is_named_then_signature_and_number_fit() -> None:
    """`SSSSSSSS-PP`: the kernel's documentation of `root=PARTUUID=`."""
    item = partition(2, 1, 100, "ext4", type="83", guid=None, of={"id": ROOT})
    line = b"PARTUUID=00c0ffee-02 / ext4 defaults 0 1\n"
    header = drive([looked_at(item, {"/etc/fstab": line})], table={"scheme": "mbr"})
    assert quiet(RULE, case_of(header, header))
    new = header.model_copy(update={"table": replace(header.table, disk_id="12345678")})
    assert told(RULE, case_of(header, new)) == [("stop", 2)]


def test_linux_when_a_name_is_on_neither_drive_then_it_is_a_note() -> None:
    """It may lie inside an encrypted volume, or on another drive of the machine."""
    case = linux_case(f"UUID={OTHER_ROOT} /srv ext4 defaults 0 2")
    assert told(RULE, case) == [("note", 2)]


@pytest.mark.parametrize(
    ("name", "target", "level"),
    [
        ("/dev/sda2", {}, "note"),
        ("/dev/sda2", {"bus": "nvme"}, "stop"),
        ("/dev/sda2", {"number": 3}, "stop"),
        ("/dev/disk/by-id/ata-Quire_OLDSERIAL1-part2", {"serial": "NEW2"}, "stop"),
        ("/dev/disk/by-id/ata-Quire_THIRD9-part2", {"serial": "NEW2"}, "note"),
        ("/dev/disk/by-path/pci-0000:00:17.0-ata-1-part2", {}, "note"),
    ],
)
def test_linux_when_a_name_depends_on_the_drive_then_its_risk_is_told(
    name: str, target: dict[str, Any], level: str
) -> None:
    """Order, connection, partition number and serial number are not what a clone keeps."""
    case = linux_case(f"{name} / ext4 defaults 0 1", **target)
    assert told(RULE, case) == [(level, target.get("number", 2))]


@pytest.mark.parametrize(
    "line",
    ["/dev/mapper/vault / ext4 defaults 0 1", "tmpfs /tmp tmpfs defaults 0 0", "# UUID=x / ext4"],
)
def test_linux_when_a_name_is_no_partitions_then_nothing_is_told(line: str) -> None:
    """Mapped devices follow from other names; tmpfs and comments name nothing."""
    assert told(RULE, linux_case(line)) == []


def test_linux_when_grub_counts_partitions_then_only_a_changed_number_is_told() -> None:
    """`set root` is a hint in front of a search; a number of another partition misleads it."""
    line = "set root='hd0,gpt2'"
    assert quiet(RULE, linux_case(line, "/boot/grub/grub.cfg"))
    case = linux_case(line, "/boot/grub/grub.cfg", number=3)
    assert told(RULE, case) == [("review", 3)]


def test_loader_files_are_real_program_heads() -> None:
    """The machines' loaders are what the reader of loaders calls program images."""
    record = looked_at(partition(1, 1, 100, "fat32"), {"/EFI/Boot/bootx64.efi": program()}).boot
    assert record is not None
    assert [(item.form, item.machine, item.problem) for item in record.loaders] == [
        ("pe", "x64", None)
    ]
