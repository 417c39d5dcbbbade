"""A partition that is not on the new drive, and its mirror: one that is on it alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.rules.cases import case_of, changed, drive, partition, quiet, told, usual
from verify.rules.partition import partition_extra, partition_missing

if TYPE_CHECKING:
    from verify.manifest.header import Partition

MISSING, EXTRA = partition_missing.RULE, partition_extra.RULE


def without(number: int) -> list[Partition]:
    """Return the usual partitions but one."""
    return [item for item in usual() if item.number != number]


def test_missing_when_all_are_there_then_it_is_quiet() -> None:
    """The quiet twin."""
    case = case_of(drive(usual()), drive(usual()))
    assert quiet(MISSING, case)
    assert quiet(EXTRA, case)


def test_missing_when_the_recovery_partition_lacks_then_it_is_stop() -> None:
    """docs/rules/partition-missing.md: the old drive has what the new one lacks."""
    assert told(MISSING, case_of(drive(usual()), drive(without(4)))) == [("stop", 4)]


def test_missing_when_a_reserved_partition_lacks_then_it_is_a_note() -> None:
    """docs/rules/partition-missing.md: a reserved partition that is gone is a note."""
    assert told(MISSING, case_of(drive(usual()), drive(without(2)))) == [("note", 2)]


def test_missing_when_the_sides_are_swapped_then_it_is_extra() -> None:
    """What lacks one way is further the other way, and only there."""
    forward = case_of(drive(usual()), drive(without(4)))
    backward = case_of(drive(without(4)), drive(usual()))
    assert told(EXTRA, forward) == []
    assert told(MISSING, backward) == []
    assert told(EXTRA, backward) == [("note", 4)]


def test_missing_when_guid_and_number_changed_then_the_filesystem_tells_it_is_there() -> None:
    """A partition is known again by its filesystem's identity."""
    moved = changed(usual(), 4, number=9, guid=None)
    assert quiet(MISSING, case_of(drive(usual()), drive(moved)))


def test_missing_when_only_its_place_is_taken_by_another_filesystem_then_it_is_stop() -> None:
    """Another filesystem of another identity in the same place is not the old one."""
    other = [partition(7, 1, 100, "ext4", of={"id": "BBBB"})]
    old = [partition(1, 300, 100, "ntfs")]
    assert told(MISSING, case_of(drive(old), drive(other))) == [("stop", 1)]
