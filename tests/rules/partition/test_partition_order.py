"""The order on the drive, and numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.rules.cases import case_of, changed, drive, findings, quiet, told, told_both_ways, usual
from verify.rules.partition import partition_order

if TYPE_CHECKING:
    from verify.manifest.header import Partition

RULE = partition_order.RULE
MIB_SECTORS = 2048


def at(number: int, start_mib: int, partitions: list[Partition] | None = None) -> list[Partition]:
    """Return the usual partitions with one begun elsewhere."""
    return changed(partitions or usual(), number, start_lba=start_mib * MIB_SECTORS)


def test_order_when_it_is_the_same_then_it_is_quiet() -> None:
    """The quiet twin; a shrunk system does not change the order."""
    assert quiet(RULE, case_of(drive(usual()), drive(usual())))
    assert quiet(RULE, case_of(drive(usual()), drive(usual(system_mib=300))))


def test_order_when_recovery_stands_before_the_system_then_it_is_review_and_named() -> None:
    """The smaller of the two is the one that is said to have moved, both ways."""
    swapped = at(4, 277, at(3, 477))
    case = case_of(drive(usual()), drive(swapped))
    assert told_both_ways(RULE, case) == ([("review", 4)], [("review", 4)])
    (finding,) = findings(RULE, case)
    assert "is before partition 3 on the new drive, but after it on the old one" in finding.message
    assert (finding.source, finding.target) == ("after partition 3", "before partition 3")


def test_order_when_two_partitions_moved_then_each_is_named() -> None:
    """EFI system and recovery both stand behind and before the system: one finding each."""
    moved = at(1, 800, at(4, 1))
    assert told(RULE, case_of(drive(usual()), drive(moved))) == [("review", 1), ("review", 4)]


def test_order_when_only_a_reserved_partition_moved_then_it_is_a_note() -> None:
    """docs/rules/partition-order.md: a reserved partition that moved is a note."""
    case = case_of(drive(usual()), drive(at(2, 980)))
    assert told_both_ways(RULE, case) == ([("note", 2)], [("note", 2)])


def test_order_when_only_numbers_changed_then_it_is_one_note() -> None:
    """docs/rules/partition-order.md: renumbering alone is a note."""
    renumbered = changed(changed(usual(), 4, number=5), 3, number=4)
    case = case_of(drive(usual()), drive(renumbered))
    assert told_both_ways(RULE, case) == ([("note", None)], [("note", None)])
    assert "3 is now 4, 4 is now 5" in findings(RULE, case)[0].message


def test_order_when_nothing_is_on_both_drives_then_it_does_not_apply() -> None:
    """Nothing compared is never `same`."""
    assert [str(item.outcome) for item in RULE(case_of(drive(), drive(usual())))[0]] == [
        "not_applicable"
    ]


def test_order_when_recovery_stands_first_then_the_first_it_overtook_is_named() -> None:
    """It stands before the EFI system partition, which kept its place among the rest."""
    first = at(4, 1, at(1, 300, at(3, 600)))
    (finding,) = findings(
        RULE, case_of(drive(usual()), drive(changed(first, 2, start_lba=1_000_000)))
    )
    assert finding.message.startswith("Partition 4 is before partition 1 on the new drive")


def test_order_when_three_turned_round_then_the_largest_stays() -> None:
    """Of three in the reverse order one keeps its place: the system's 500 MiB."""
    turned = at(4, 1, at(3, 400, at(1, 910)))
    moved = [number for _, number in told(RULE, case_of(drive(usual()), drive(turned)))]
    assert 3 not in moved
    assert {1, 4} <= set(moved)


def test_order_when_the_tables_are_of_two_kinds_then_numbers_say_nothing() -> None:
    """Numbers follow from the kind of table."""
    renumbered = changed(usual(), 4, number=5)
    mbr = drive(renumbered, table={"scheme": "mbr"})
    assert quiet(RULE, case_of(drive(usual()), mbr))
