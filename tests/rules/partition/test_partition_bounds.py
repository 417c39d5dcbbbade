"""Places of partitions: overlaps, the drive's end, the usable range."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.rules.cases import (
    DRIVE_MIB,
    PER_MIB,
    case_of,
    changed,
    drive,
    findings,
    gpt_copy,
    partition,
    quiet,
    told,
    usual,
)
from verify.rules.partition import partition_bounds

if TYPE_CHECKING:
    from verify.manifest.header import Partition

RULE = partition_bounds.RULE
MBR = {"scheme": "mbr"}
LAST = DRIVE_MIB * PER_MIB - 1


def ending(last_lba: int) -> list[Partition]:
    """Return the usual partitions, the last ending in that sector."""
    return changed(usual(), 4, sectors=last_lba + 1 - usual()[3].start_lba)


def test_bounds_when_all_have_room_then_it_is_quiet() -> None:
    """The quiet twin: partitions that touch do not overlap."""
    assert quiet(RULE, case_of(drive(usual()), drive(usual())))


def test_bounds_when_two_overlap_by_one_sector_then_it_is_stop() -> None:
    """The later one is named, with how much; the old drive's alone is a note."""
    longer = changed(usual(), 3, sectors=500 * PER_MIB + 1)
    case = case_of(drive(usual()), drive(longer))
    assert told(RULE, case) == [("stop", 4)]
    assert "overlaps partition 3 by 1 sector" in findings(RULE, case)[0].message
    assert "no partitions overlap" in findings(RULE, case)[0].advice
    assert told(RULE, case_of(drive(longer), drive(usual()))) == [("note", 4)]
    assert told(RULE, case_of(drive(longer), drive(longer))) == [("note", 4)]


def test_bounds_when_a_small_one_lies_inside_an_earlier_one_then_what_follows_is_seen_too() -> None:
    """The one that reaches furthest counts, not the one just before."""
    parts = [partition(1, 1, 300), partition(2, 10, 10), partition(3, 100, 10)]
    clean = [partition(1, 1, 5), partition(2, 10, 10), partition(3, 100, 10)]
    assert told(RULE, case_of(drive(clean), drive(parts))) == [("stop", 2), ("stop", 3)]


def test_bounds_when_it_ends_in_the_last_usable_sector_then_it_is_quiet() -> None:
    """UEFI 2.10 section 5.3.2: the last 33 sectors hold the backup (512-byte sectors)."""
    assert quiet(RULE, case_of(drive(usual()), drive(ending(LAST - 33))))


def test_bounds_when_it_ends_one_sector_later_then_it_is_review() -> None:
    """It lies over the backup table."""
    case = case_of(drive(usual()), drive(ending(LAST - 32)))
    assert told(RULE, case) == [("review", 4)]
    assert "inside the usable range" in findings(RULE, case)[0].advice


def test_bounds_when_it_ends_behind_the_drive_then_it_is_stop() -> None:
    """The sectors that are not there were never written."""
    assert told(RULE, case_of(drive(usual()), drive(ending(LAST)))) == [("review", 4)]
    case = case_of(drive(usual()), drive(ending(LAST + 1)))
    assert told(RULE, case) == [("stop", 4)]
    assert f"ends at LBA {LAST + 1}, but the drive's last one is {LAST}" in (
        findings(RULE, case)[0].message
    )
    assert "large enough" in findings(RULE, case)[0].advice


def test_bounds_when_only_the_backup_can_be_read_then_its_range_counts() -> None:
    """The copy that the partitions were read from is the one that judges them."""
    backup = gpt_copy(LAST, LAST + 1, first_usable_lba=4096)
    new = drive(usual(), table={"used": "backup", "backup": backup})
    assert told(RULE, case_of(drive(usual()), new)) == [("review", 1)]


def test_bounds_when_it_begins_in_the_first_usable_sector_then_it_is_quiet() -> None:
    """UEFI 2.10 section 5.3.2: the first usable sector is 34 at least; one before is review."""
    first, before = (changed(usual(), 1, start_lba=lba, sectors=64) for lba in (34, 33))
    assert quiet(RULE, case_of(drive(usual()), drive(first)))
    assert told(RULE, case_of(drive(usual()), drive(before))) == [("review", 1)]


def test_bounds_when_a_logical_partition_lies_outside_the_extended_one_then_it_is_review() -> None:
    """The quiet twin lies inside; on a GPT the number 5 means nothing of the kind."""
    extended = partition(2, 200, 300, "extended", container=True, listing=None)
    inside = [partition(1, 1, 100), extended, partition(5, 201, 100)]
    outside = [partition(1, 1, 100), extended, partition(5, 600, 100)]
    assert quiet(RULE, case_of(drive(inside, table=MBR), drive(inside, table=MBR)))
    case = case_of(drive(inside, table=MBR), drive(outside, table=MBR))
    assert told(RULE, case) == [("review", 5)]
    assert "inside the extended one" in findings(RULE, case)[0].advice
    assert quiet(RULE, case_of(drive(outside), drive(outside)))
