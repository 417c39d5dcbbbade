"""The recovery environment: where it is said to be, what it starts from, where it lies.

Expectations: what a shrink does to places in bytes, as docs/formats/reagent.md sets out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.boot import devices, stores
from tests.rules.boot.machines import (
    BCD,
    CONFIG,
    ESP_GUID,
    IMAGE,
    NEW_DISK,
    NEW_GUIDS,
    RAM_DISK,
    RECOVERY_GUID,
    SYSTEM_GUID,
    WIM,
    BiosMachine,
    Machine,
    clone,
    config,
    data_drive,
)
from tests.rules.cases import DATA, DISK, MIB, answers, case_of, findings, quiet, told
from verify.rules.recovery import recovery_image, recovery_place, recovery_reference

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Rule

REFERENCE = recovery_reference.RULE
IMAGES = recovery_image.RULE
PLACE = recovery_place.RULE

REWRITTEN = Machine(disk=NEW_DISK, guids=NEW_GUIDS, named_disk=NEW_DISK, named_guids=NEW_GUIDS)
MOVED = Machine(system_mib=400)

# --- where it is said to be -------------------------------------------------------------------


@pytest.mark.parametrize(
    "new",
    [Machine(), REWRITTEN, Machine(system_mib=400, recovery_named=677), BiosMachine()],
    ids=["same", "rewritten", "moved and enabled again", "BIOS"],
)
def test_recovery_when_place_identity_and_object_fit_then_it_is_quiet(
    new: Machine | BiosMachine,
) -> None:
    """277 + 500 MiB, or 277 + 400 where it was written anew; by BIOS 101 + 500."""
    assert quiet(REFERENCE, clone(new))


def test_recovery_when_it_moved_on_gpt_then_a_review_says_what_still_works() -> None:
    """The store goes by GUID and resolves; the configuration goes by place and is stale."""
    (finding,) = findings(REFERENCE, clone(MOVED))
    assert (finding.level, finding.partition) == ("review", 3)
    assert f"{777 * MIB:,}" in finding.message
    assert "after a failed start it is still found" in finding.message
    assert "reagentc /disable and reagentc /enable" in finding.advice


def test_recovery_when_it_moved_on_mbr_then_it_stops() -> None:
    """Both go by the place in bytes: nothing leads to recovery any more."""
    (finding,) = findings(REFERENCE, clone(BiosMachine(system_mib=400)))
    assert finding.level == "stop"
    assert "still found" not in finding.message


def test_recovery_when_the_identity_is_new_and_nothing_was_rewritten_then_it_stops() -> None:
    """Right place, another drive's identity; on MBR by the signature."""
    assert [level for level, _ in told(REFERENCE, clone(Machine(disk=NEW_DISK)))] == ["stop"]
    case = clone(BiosMachine(signature=0xDEADBE01))
    assert [level for level, _ in told(REFERENCE, case)] == ["stop"]


@pytest.mark.parametrize("number", [0, 1])
def test_recovery_when_the_number_is_a_drives_then_it_is_no_signature(number: int) -> None:
    """0 means no signature, and small numbers are taken for drive numbers."""
    assert quiet(REFERENCE, clone(BiosMachine(config_number=number)))


def test_recovery_when_it_was_stale_on_the_old_drive_then_it_is_a_note() -> None:
    """An earlier shrink of the old drive is no fault of this clone."""
    assert [level for level, _ in told(REFERENCE, clone(MOVED, MOVED))] == ["note"]


def test_recovery_when_the_place_is_another_partitions_then_the_image_tells() -> None:
    """A stale place may be the beginning of a partition all the same."""
    new = Machine().with_files(3, {CONFIG: config(1 * MIB)})
    (finding,) = findings(REFERENCE, clone(new))
    assert "names partition 1 by its start" in finding.message


def test_recovery_when_the_folder_is_another_then_the_image_tells() -> None:
    """The right partition, and a folder in it that holds no image."""
    new = Machine().with_files(3, {CONFIG: config(777 * MIB, path="\\Recovery\\Other")})
    assert [level for level, _ in told(REFERENCE, clone(new))] == ["review"]


def test_recovery_when_the_store_does_not_hold_its_object_then_it_is_told() -> None:
    """A store that was built anew has another object for recovery, or none."""
    parts = (devices.gpt(guid, DISK) for guid in (ESP_GUID, SYSTEM_GUID, RECOVERY_GUID))
    builder = stores.small_store(*parts)
    objects = builder.root.add("Objects")
    objects.keys = [key for key in objects.keys if key.name != "{" + stores.RECOVERY + "}"]
    new = Machine().with_files(1, {BCD: builder.write()})
    assert any(
        "which is in no boot store" in item.message for item in findings(REFERENCE, clone(new))
    )


def test_recovery_when_it_is_disabled_on_the_new_drive_alone_then_a_person_decides() -> None:
    """Disabled on both is how it was."""
    off = Machine().with_files(3, {CONFIG: config(0, disk="", enabled=False)})
    assert [level for level, _ in told(REFERENCE, clone(off))] == ["review"]
    assert told(REFERENCE, clone(off, off)) == []
    assert answers(REFERENCE, clone(off, off)) == ["same"]


@pytest.mark.parametrize(
    "data", [b"", b"\0" * 900, b"<WindowsRE", b"<!DOCTYPE x><WindowsRE/>", b"<other/>"]
)
def test_recovery_when_the_configuration_cannot_be_read_then_it_stops(data: bytes) -> None:
    """Damaged on the new drive; on both it is not examined."""
    bad = Machine().with_files(3, {CONFIG: data})
    assert [level for level, _ in told(REFERENCE, clone(bad))] == ["stop"]
    assert answers(REFERENCE, clone(bad, bad)) == ["not_examined"]


def test_recovery_when_the_configuration_is_gone_then_it_stops() -> None:
    """The old drive had one."""
    assert told(REFERENCE, clone(Machine().without(CONFIG))) == [("stop", 3)]


def test_recovery_when_the_second_copy_alone_is_stale_then_it_is_a_note() -> None:
    """The copy beside the image is not the one that the system reads first."""
    copy = {"/Recovery/WindowsRE/ReAgent.xml": config(777 * MIB)}
    old = Machine().with_files(4, copy)
    new = Machine(system_mib=400, recovery_named=677).with_files(4, copy)
    assert told(REFERENCE, clone(new, old)) == [("note", 4)]


@pytest.mark.parametrize("rule", [REFERENCE, IMAGES, PLACE])
def test_recovery_when_neither_drive_has_any_then_not_applicable(rule: Rule) -> None:
    """Pictures alone."""
    (answer,), found = rule(case_of(data_drive(), data_drive()))
    assert (answer.outcome, found) == ("not_applicable", ())


# --- what it starts from ----------------------------------------------------------------------


@pytest.mark.parametrize("new", [Machine(), REWRITTEN, MOVED, BiosMachine(system_mib=400)])
def test_image_when_it_is_whole_then_it_is_quiet(new: Machine | BiosMachine) -> None:
    """Wherever its partition lies now; what no longer leads there is reported by other rules."""
    assert quiet(IMAGES, clone(new))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is damaged"),
        (bytes(len(WIM)), "is damaged"),
        (WIM[:1000], "is damaged"),
        (WIM + b"\0", "1,944 bytes (on the old drive: 1,943)"),
        (WIM[:24] + bytes(16) + WIM[40:], "a different image"),
    ],
    ids=["empty", "zeros", "cut", "longer", "another GUID"],
)
def test_image_when_it_is_not_the_old_drives_then_it_stops(data: bytes, words: str) -> None:
    """1,943 bytes; a header with a GUID at byte 24 (Microsoft, WIM format)."""
    bad = Machine().with_files(4, {IMAGE: data})
    (finding,) = findings(IMAGES, clone(bad))
    assert (finding.level, finding.partition) == ("stop", 4)
    assert words in finding.message


def test_image_when_the_old_drives_is_damaged_as_well_then_it_is_a_note() -> None:
    """It did not start before."""
    bad = Machine().with_files(4, {IMAGE: bytes(2000)})
    assert told(IMAGES, clone(bad, bad)) == [("note", 4)]


@pytest.mark.parametrize("path", [IMAGE, RAM_DISK])
def test_image_when_what_the_store_names_is_gone_then_it_stops(path: str) -> None:
    """The image, or the RAM disk's description beside it."""
    case = clone(Machine().without(path))
    assert {level for level, _ in told(IMAGES, case)} == {"stop"}
    assert any("where the boot store expects it" in item.message for item in findings(IMAGES, case))


def test_image_when_it_never_was_there_then_it_is_a_note() -> None:
    """Named as vainly by the old drive's store."""
    lacking = Machine().without(RAM_DISK)
    assert {level for level, _ in told(IMAGES, clone(lacking, lacking))} == {"note"}


def test_image_when_its_partition_is_gone_then_it_stops() -> None:
    """The target was made without its recovery partition."""
    old, new = Machine().header(), Machine().header()
    lost = new.model_copy(update={"partitions": new.partitions[:3]})
    case = case_of(old, lost)
    assert ("stop", 4) in told(IMAGES, case)
    assert {item.advice[:27] for item in findings(IMAGES, case) if item.partition == 4} == {
        "Clone the missing partition"
    }


# --- where it lies ----------------------------------------------------------------------------


def with_recovery(**changes: object) -> Header:
    """Return the usual machine's header with other fields of its recovery partition."""
    header = Machine().header()
    last = header.partitions[3].model_copy(update=changes)
    return header.model_copy(update={"partitions": (*header.partitions[:3], last)})


def test_place_when_type_attributes_and_place_are_kept_then_it_is_quiet() -> None:
    """Also behind a smaller system partition."""
    assert quiet(PLACE, clone(Machine()))
    assert quiet(PLACE, clone(MOVED))
    assert quiet(PLACE, clone(BiosMachine()))


@pytest.mark.parametrize("changes", [{"type": DATA}, {"attributes": 0}, {"attributes": 1}])
def test_place_when_type_or_attributes_are_lost_then_a_person_decides(
    changes: dict[str, object],
) -> None:
    """Required, and no drive letter: 0x8000000000000001 (Microsoft Learn)."""
    bad = with_recovery(**changes)
    case = case_of(Machine().header(), bad)
    assert told(PLACE, case) == [("review", 4)]
    assert told(PLACE, case_of(bad, bad)) == [("note", 4)]


def test_place_when_it_no_longer_follows_the_system_then_it_is_a_note() -> None:
    """It was moved in front of the system partition; on both drives it tells nothing new."""
    old = Machine().header()
    parts = old.partitions
    front = parts[3].model_copy(update={"start_lba": parts[2].start_lba})
    behind = parts[2].model_copy(update={"start_lba": parts[2].start_lba + front.sectors})
    swapped = old.model_copy(update={"partitions": (*parts[:2], behind, front)})
    assert told(PLACE, case_of(old, swapped)) == [("note", 4)]
    assert told(PLACE, case_of(swapped, swapped)) == []


def test_place_when_the_system_holds_recovery_itself_then_it_is_not_a_recovery_partition() -> None:
    """Recovery on the system partition is no failure by itself."""
    machine = replace(Machine(), extra={3: {IMAGE: WIM}})
    assert quiet(PLACE, clone(machine, machine))
