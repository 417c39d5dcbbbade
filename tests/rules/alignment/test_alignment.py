"""Alignment: the new drive's own grid decides, by published examples and arithmetic."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.cases import (
    RESERVED,
    answers,
    case_of,
    changed,
    drive,
    findings,
    partition,
    quiet,
    refiled,
    told,
    usual,
)
from verify.rules.alignment import alignment_cluster, alignment_physical, alignment_start

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.rule import Rule

START, PHYSICAL, CLUSTER = alignment_start.RULE, alignment_physical.RULE, alignment_cluster.RULE


def begun(start_lba: int, **changes: Any) -> Header:
    """Return a drive with one partition that begins there."""
    return drive(changed([partition(1, 1, 100)], 1, start_lba=start_lba), **changes)


@pytest.mark.parametrize("rule", [START, PHYSICAL, CLUSTER], ids=lambda rule: rule.slug)
def test_alignment_when_all_stands_on_multiples_of_1_mib_then_it_is_quiet(rule: Rule) -> None:
    """The quiet twin; UEFI 2.10 section 5.3.1: multiples of 2,048 blocks fit usual cases."""
    assert quiet(rule, case_of(drive(usual()), drive(usual())))


@pytest.mark.parametrize("rule", [START, PHYSICAL, CLUSTER], ids=lambda rule: rule.slug)
def test_alignment_when_the_drive_does_not_tell_its_grid_then_that_is_said(rule: Rule) -> None:
    """docs/rules/alignment-start.md: 4,096 bytes were assumed, which is said; a drive may tell."""
    silent = case_of(drive(usual()), drive(usual()))
    flash = drive(usual(), physical_sector_bytes=4096, rotational=False)
    telling = case_of(drive(usual()), flash)
    assert "4,096 bytes were assumed" in (rule(silent)[0][0].reason or "")
    assert rule(telling)[0][0].reason is None


def test_start_when_it_is_sector_63_then_it_is_review_with_the_remainder() -> None:
    """63 x 512 = 32,256, mod 4,096 = 3,584 (arithmetic); sector 63: Microsoft Learn."""
    case = case_of(begun(2048), begun(63))
    assert told(START, case) == [("review", 1)]
    (finding,) = findings(START, case)
    assert "misaligned by 3,584 bytes (grid 4,096)" in finding.message
    assert (finding.source, finding.target) == (1_048_576, 32_256)


def test_start_when_the_old_drive_begins_there_too_then_it_is_review_all_the_same() -> None:
    """docs/rules/alignment-start.md: judged by the target's own grid alone; the mirror is quiet."""
    assert told(START, case_of(begun(63), begun(63))) == [("review", 1)]
    assert quiet(START, case_of(begun(63), begun(2048)))


@pytest.mark.parametrize(
    ("start_lba", "told_bytes", "rotational", "expected"),
    [
        (8, None, None, []),
        (9, None, None, [("review", 1)]),
        (63, 512, True, []),
        (63, 512, None, []),
        (63, 512, False, [("review", 1)]),
        (8, 16384, False, [("review", 1)]),
        (32, 16384, False, []),
    ],
)
def test_start_when_the_grid_is_known_then_it_decides(
    start_lba: int,
    told_bytes: int | None,
    rotational: bool | None,  # noqa: FBT001
    expected: list[tuple[str, int]],
) -> None:
    """4,096 / 512 = 8 and 16,384 / 512 = 32; flash that tells 512 has larger pages."""
    new = begun(start_lba, physical_sector_bytes=told_bytes, rotational=rotational)
    assert told(START, case_of(begun(2048), new)) == expected


def test_start_when_sectors_have_4096_bytes_then_each_is_a_step() -> None:
    """256 x 4,096 = 1 MiB, and 63 is a step as well (arithmetic)."""
    big = {"table": {"sector_bytes": 4096}, "sector_bytes": 4096}
    assert quiet(START, case_of(begun(256, **big), begun(63, **big)))


def test_start_when_a_reserved_partition_is_off_then_it_is_a_note() -> None:
    """Little is written there."""
    off = drive(changed([partition(1, 1, 16, "msr", type=RESERVED)], 1, start_lba=63))
    assert told(START, case_of(begun(2048), off)) == [("note", 1)]


def test_physical_when_two_partitions_share_a_sector_then_it_is_review() -> None:
    """Eight sectors of 512 bytes are one physical sector of 4,096: 2,055 ends it, 2,056 begins."""
    two = [partition(1, 1, 1), partition(2, 2, 1)]
    moved = {"sectors": 4, "start_lba": 2048}

    def behind(start_lba: int) -> Header:
        return drive(changed(changed(two, 1, **moved), 2, start_lba=start_lba))

    for shared in (2052, 2055):
        assert told(PHYSICAL, case_of(drive(two), behind(shared))) == [("review", 2)]
    assert quiet(PHYSICAL, case_of(drive(two), behind(2056)))


def test_cluster_when_it_is_smaller_than_the_grid_then_it_is_a_note() -> None:
    """512-byte clusters on 4,096-byte steps; quiet where the drive works in 512, or both are so."""
    small = refiled(usual(), 3, cluster_bytes=512)
    assert told(CLUSTER, case_of(drive(usual()), drive(small))) == [("note", 3)]
    assert quiet(CLUSTER, case_of(drive(small), drive(small)))
    coarse = drive(small, physical_sector_bytes=512, rotational=True)
    assert told(CLUSTER, case_of(coarse, drive(small))) == [("note", 3)]
    assert quiet(CLUSTER, case_of(drive(small), drive(small)))
    fine = drive(small, physical_sector_bytes=512, rotational=True)
    assert quiet(CLUSTER, case_of(drive(usual()), fine))


@pytest.mark.parametrize("rule", [START, PHYSICAL, CLUSTER], ids=lambda rule: rule.slug)
def test_alignment_when_there_are_no_partitions_then_it_does_not_apply(rule: Rule) -> None:
    """Nothing judged is never `same`."""
    assert answers(rule, case_of(drive(usual()), drive())) == ["not_applicable"]


def test_cluster_when_it_is_not_known_then_it_is_not_examined() -> None:
    """Never taken for right."""
    new = drive(refiled(usual(), 3, cluster_bytes=None))
    assert answers(CLUSTER, case_of(drive(usual()), new)) == ["not_examined"]
