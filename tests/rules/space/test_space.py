"""Free space: shares, makers' minimums, spare room."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.cases import (
    EFI,
    MIB,
    answers,
    case_of,
    drive,
    findings,
    partition,
    quiet,
    refiled,
    told,
    usual,
)
from verify.rules.space import free_space, free_space_boot, free_space_recovery, spare_area

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Rule

DATA_RULE, BOOT, RECOVERY, SPARE = (
    free_space.RULE,
    free_space_boot.RULE,
    free_space_recovery.RULE,
    spare_area.RULE,
)
SYSTEM_BYTES = 500 * MIB


def roomy() -> list[Partition]:
    """Return the usual partitions with enough free in the recovery partition."""
    return refiled(usual(), 4, free_bytes=250 * MIB, size_bytes=1000 * MIB)


def with_free(number: int, free: int | None) -> list[Partition]:
    """Return the usual partitions with so much free in one."""
    return refiled(roomy(), number, free_bytes=free)


@pytest.mark.parametrize("rule", [DATA_RULE, BOOT, RECOVERY, SPARE], ids=lambda rule: rule.slug)
def test_space_when_there_is_enough_then_it_is_quiet(rule: Rule) -> None:
    """The quiet twin: half of each volume is free, an EFI system partition of 260 MiB."""
    assert quiet(rule, case_of(drive(roomy()), drive(roomy())))


@pytest.mark.parametrize(
    ("free", "expected"),
    [
        (SYSTEM_BYTES * 15 // 100, []),
        (SYSTEM_BYTES * 15 // 100 - 1, [("note", 3)]),
        (SYSTEM_BYTES * 5 // 100, [("note", 3)]),
        (SYSTEM_BYTES * 5 // 100 - 1, [("review", 3)]),
        (0, [("review", 3)]),
    ],
)
def test_free_space_when_it_is_little_then_the_limit_gives_the_level(
    free: int, expected: list[tuple[str, int]]
) -> None:
    """docs/rules/free-space.md: review under 5 %, note under 15 % (common practice)."""
    assert told(DATA_RULE, case_of(drive(roomy()), drive(with_free(3, free)))) == expected


def test_free_space_when_the_old_drive_is_as_full_then_it_is_a_note() -> None:
    """A fault that the source had; under 15 % there is another limit than under 5 % here."""
    full, tight = with_free(3, 1), with_free(3, SYSTEM_BYTES // 10)
    assert told(DATA_RULE, case_of(drive(full), drive(full))) == [("note", 3)]
    assert (
        "as on the old drive" in findings(DATA_RULE, case_of(drive(full), drive(full)))[0].message
    )
    assert told(DATA_RULE, case_of(drive(tight), drive(full))) == [("review", 3)]


def test_free_space_when_only_the_old_drive_is_full_then_it_is_quiet() -> None:
    """More room is no finding."""
    assert quiet(DATA_RULE, case_of(drive(with_free(3, 1)), drive(roomy())))


@pytest.mark.parametrize(
    ("rule", "number"), [(DATA_RULE, 3), (BOOT, 1), (RECOVERY, 4)], ids=lambda rule: str(rule)[:9]
)
def test_space_when_free_space_is_not_known_then_it_is_not_examined(
    rule: Rule, number: int
) -> None:
    """Never taken for enough."""
    assert answers(rule, case_of(drive(roomy()), drive(with_free(number, None)))) == [
        "not_examined"
    ]


@pytest.mark.parametrize(
    ("free_mib", "words"),
    [
        (250, None),
        (249, "need 262.14 MB (250 MiB)"),
        (52, "need 262.14 MB (250 MiB)"),
        (51, "less than the maker's minimum of 54.53 MB (52 MiB)"),
    ],
)
def test_recovery_space_when_it_is_under_the_makers_numbers_then_it_is_a_note(
    free_mib: int, words: str | None
) -> None:
    """Microsoft support KB5046916: 250 MB for updates; Microsoft Learn: 52 MB at least."""
    case = case_of(drive(with_free(4, 300 * MIB)), drive(with_free(4, free_mib * MIB)))
    found = findings(RECOVERY, case)
    assert [item.level for item in found] == ([] if words is None else ["note"])
    assert words is None or words in found[0].message


@pytest.mark.parametrize(
    ("size_mib", "sector", "expected"),
    [
        (200, 512, []),
        (199, 512, [("note", 1)]),
        (260, 4096, []),
        (259, 4096, [("note", 1)]),
    ],
)
def test_boot_space_when_the_efi_partition_is_under_the_minimum_then_it_is_a_note(
    size_mib: int, sector: int, expected: list[tuple[str, int]]
) -> None:
    """Microsoft Learn, UEFI/GPT-based hard drive partitions: 200 MB, 260 MB on 4Kn drives."""

    def sized(mib: int) -> Header:
        sectors = mib * MIB // sector
        item = partition(1, 0, mib, "fat32", type=EFI).model_copy(update={"sectors": sectors})
        return drive([item], table={"sector_bytes": sector}, sector_bytes=sector)

    assert told(BOOT, case_of(sized(300), sized(size_mib))) == expected


def test_boot_space_when_it_is_nearly_full_then_it_is_review() -> None:
    """docs/rules/free-space-boot.md: under 5 % free."""
    assert told(BOOT, case_of(drive(roomy()), drive(with_free(1, 5 * MIB)))) == [("review", 1)]


def spare(size_mib: int, free_percent: int, **changes: Any) -> Header:
    """Return a flash drive with 93 MiB in one partition of so much free."""
    of = {"free_bytes": 93 * MIB * free_percent // 100}
    return drive(
        [partition(1, 1, 93, of=of)], size_mib=size_mib, **({"rotational": False} | changes)
    )


def test_spare_area_when_neither_is_left_then_it_is_a_note() -> None:
    """93 of 100 MiB in partitions leave 7 %, of 99.9 MiB less (arithmetic); common practice."""
    fine = spare(200, 50)
    assert told(SPARE, case_of(fine, spare(99, 5))) == [("note", None)]
    assert quiet(SPARE, case_of(fine, spare(100, 5)))
    assert quiet(SPARE, case_of(fine, spare(99, 11)))


def test_spare_area_when_partitions_overlap_then_they_count_once() -> None:
    """Two partitions over the same 93 MiB leave as much as one."""
    twice = [partition(1, 1, 93, of={"free_bytes": 0}), partition(2, 50, 44, of={"free_bytes": 0})]
    assert spare_area.unpartitioned_bytes(drive(twice, size_mib=100)) == 7 * MIB


def test_spare_area_when_the_drive_rotates_then_it_does_not_apply() -> None:
    """Only flash has a spare area."""
    case = case_of(spare(200, 50), spare(99, 5, rotational=True))
    assert answers(SPARE, case) == ["not_applicable"]


def test_spare_area_when_the_drive_does_not_tell_then_that_is_said() -> None:
    """What was assumed stands in the outcome."""
    outcomes, _ = SPARE(case_of(spare(200, 50), spare(99, 5, rotational=None)))
    assert "flash was assumed" in (outcomes[0].reason or "")


def test_spare_area_when_no_volume_tells_its_free_space_then_it_is_not_examined() -> None:
    """Unless enough lies outside all partitions, which needs no volume's word."""
    raw = [partition(1, 1, 93, "luks")]
    fine = spare(200, 50)
    tight, wide = (drive(raw, size_mib=size, rotational=False) for size in (99, 100))
    assert answers(SPARE, case_of(fine, tight)) == ["not_examined"]
    assert quiet(SPARE, case_of(fine, wide))


def test_spare_area_when_one_volume_does_not_tell_then_the_others_count() -> None:
    """One of two tells 5 % of 45 MiB free."""
    two = [
        partition(1, 1, 45, of={"free_bytes": 45 * MIB // 20}),
        partition(2, 46, 48, of={"free_bytes": None}),
    ]
    new = drive(two, size_mib=99, rotational=False)
    assert told(SPARE, case_of(spare(200, 50), new)) == [("note", None)]
