"""Types, GUIDs and attributes of partitions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.rules.cases import (
    DATA,
    EFI,
    RECOVERY,
    RECOVERY_ATTRIBUTES,
    answers,
    case_of,
    changed,
    drive,
    findings,
    guid,
    partition,
    quiet,
    told,
    told_both_ways,
    usual,
    volume,
)
from verify.rules.partition import partition_attributes, partition_guid, partition_type

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Rule

TYPE, GUID, ATTRIBUTES = partition_type.RULE, partition_guid.RULE, partition_attributes.RULE
MBR = {"scheme": "mbr"}


def mbr_drive(*rows: tuple[str, bool]) -> Header:
    """Return an MBR drive with a partition of each type, active or not."""
    partitions = [
        partition(
            number,
            number * 100,
            100,
            type=kind,
            guid=None,
            active=active,
            of={"id": f"CCCC000{number}"},
        )
        for number, (kind, active) in enumerate(rows, 1)
    ]
    return drive(partitions, table=MBR)


@pytest.mark.parametrize("rule", [TYPE, GUID, ATTRIBUTES], ids=lambda rule: rule.slug)
def test_identity_when_it_is_the_same_then_it_is_quiet(rule: Rule) -> None:
    """The quiet twin of every case below."""
    assert quiet(rule, case_of(drive(usual()), drive(usual())))


def test_type_when_the_efi_system_partition_became_data_then_it_is_stop() -> None:
    """The firmware looks for it by its type; the other way is review."""
    case = case_of(drive(usual()), drive(changed(usual(), 1, type=DATA)))
    assert told_both_ways(TYPE, case) == ([("stop", 1)], [("review", 1)])
    assert (findings(TYPE, case)[0].source, findings(TYPE, case)[0].target) == (EFI, DATA)


def test_type_when_recovery_became_data_then_it_is_review() -> None:
    """It starts by its place and its GUID, but is no longer hidden."""
    case = case_of(drive(usual()), drive(changed(usual(), 4, type=DATA)))
    assert told_both_ways(TYPE, case) == ([("review", 4)], [("review", 4)])


@pytest.mark.parametrize(("old", "new"), [("0B", "0C"), ("06", "0E")])
def test_type_when_only_the_addressing_differs_then_it_is_a_note(old: str, new: str) -> None:
    """util-linux, pt-mbr-partnames.h: 0C and 0E are the LBA forms of 0B and 06."""
    case = case_of(mbr_drive((old, False)), mbr_drive((new, False)))
    assert told_both_ways(TYPE, case) == ([("note", 1)], [("note", 1)])
    assert findings(TYPE, case)[0].advice.startswith("Nothing to do")


def test_type_when_the_tables_are_of_two_kinds_then_the_part_is_compared() -> None:
    """27 and DE94BBA4 are both recovery; 07 is no EFI system partition."""
    fine = mbr_drive(("EF", False), ("07", True), ("27", False))
    gpt = [
        partition(1, 100, 100, type=EFI, of={"id": "CCCC0001"}),
        partition(2, 200, 100, of={"id": "CCCC0002"}),
        partition(3, 300, 100, type=RECOVERY, of={"id": "CCCC0003"}),
    ]
    assert quiet(TYPE, case_of(fine, drive(gpt)))
    assert told(TYPE, case_of(fine, drive(changed(gpt, 1, type=DATA)))) == [("stop", 1)]


def test_guid_when_it_is_new_then_it_is_review_with_both() -> None:
    """Right only if what names it was rewritten, which the boot rules tell."""
    case = case_of(drive(usual()), drive(changed(usual(), 3, guid=guid(77))))
    assert told_both_ways(GUID, case) == ([("review", 3)], [("review", 3)])
    assert (findings(GUID, case)[0].source, findings(GUID, case)[0].target) == (guid(3), guid(77))


def test_guid_when_it_is_a_reserved_partition_s_then_it_is_a_note() -> None:
    """Nothing names a reserved partition."""
    assert told(GUID, case_of(drive(usual()), drive(changed(usual(), 2, guid=guid(77))))) == [
        ("note", 2)
    ]


def test_guid_when_two_partitions_share_one_then_it_is_review_unless_the_old_ones_do() -> None:
    """UEFI 2.10 section 5.3.3: with duplicates the results are indeterminate."""
    doubled = changed(usual(), 4, guid=guid(3))
    new = case_of(drive(usual()), drive(doubled))
    assert {level for level, _ in told(GUID, new)} == {"review"}
    assert any("another partition there" in item.message for item in findings(GUID, new))
    assert told(GUID, case_of(drive(doubled), drive(doubled))) == [("note", 3), ("note", 4)]


def test_guid_when_a_drive_is_mbr_then_it_does_not_apply() -> None:
    """An MBR gives its partitions no GUID."""
    assert answers(GUID, case_of(mbr_drive(("07", True)), mbr_drive(("07", True)))) == [
        "not_applicable"
    ]


def test_attributes_when_recovery_lost_them_then_it_is_review_and_named() -> None:
    """UEFI 2.10 5.3.3, Microsoft Learn: 8000000000000001 is required and no drive letter."""
    case = case_of(drive(usual()), drive(changed(usual(), 4, attributes=0)))
    assert told_both_ways(ATTRIBUTES, case) == ([("review", 4)], [("review", 4)])
    (finding,) = findings(ATTRIBUTES, case)
    assert 'lost "required", "no drive letter"' in finding.message
    assert (finding.source, finding.target) == ("8000000000000001", "0000000000000000")


@pytest.mark.parametrize(
    ("bits", "level"), [(1 << 63, "note"), (1 << 62, "note"), (1 << 60, "review"), (4, "review")]
)
def test_attributes_when_a_data_partition_gained_some_then_grave_ones_are_review(
    bits: int, level: str
) -> None:
    """Bit 60 is read-only, bit 2 BIOS bootable (same sources)."""
    case = case_of(drive(usual()), drive(changed(usual(), 3, attributes=bits)))
    assert told_both_ways(ATTRIBUTES, case) == ([(level, 3)], [(level, 3)])


def test_attributes_when_the_required_bit_is_lost_beside_a_kept_one_then_only_it_is_said() -> None:
    """The sentence names what changed."""
    new = changed(usual(), 4, attributes=RECOVERY_ATTRIBUTES & ~1)
    (finding,) = findings(ATTRIBUTES, case_of(drive(usual()), drive(new)))
    assert finding.message.endswith('changed: lost "required".')


def test_attributes_when_no_partition_is_active_any_more_then_it_is_stop() -> None:
    """A BIOS starts the active partition; a gained flag is review."""
    case = case_of(mbr_drive(("07", True), ("07", False)), mbr_drive(("07", False), ("07", False)))
    assert told_both_ways(ATTRIBUTES, case) == ([("stop", 1)], [("review", 1)])


def test_attributes_when_another_partition_is_active_then_both_are_review() -> None:
    """The machine starts something, but not what it did."""
    case = case_of(mbr_drive(("07", True), ("07", False)), mbr_drive(("07", False), ("07", True)))
    both = [("review", 1), ("review", 2)]
    assert told_both_ways(ATTRIBUTES, case) == (both, both)


def test_type_when_a_reserved_partition_became_another_then_its_kind_decides() -> None:
    """To another reserved type a note, to data review: it is shown and gets a drive letter."""
    reserved = changed(usual(), 2, type="0657FD6D-A4AB-43C4-84E5-0933C84B4F4F")
    assert told(TYPE, case_of(drive(usual()), drive(reserved))) == [("note", 2)]
    data = changed(usual(), 2, type=DATA, filesystem=volume("unknown"))
    assert told(TYPE, case_of(drive(usual()), drive(data))) == [("review", 2)]
