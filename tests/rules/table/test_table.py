"""The kind of table, its health, and the drive's identity."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from tests.rules.cases import (
    DRIVE_MIB,
    PER_MIB,
    answers,
    case_of,
    drive,
    findings,
    gpt_copy,
    quiet,
    told,
    told_both_ways,
    usual,
)
from verify.rules.table import disk_identity, table_intact, table_scheme
from verify.table.partition_table import Mbr

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.manifest.header import Header
    from verify.rules.rule import Rule

SCHEME, INTACT, IDENTITY = table_scheme.RULE, table_intact.RULE, disk_identity.RULE
SECTORS = DRIVE_MIB * PER_MIB
PROTECTIVE = Mbr(
    signature_ok=True, disk_signature="00000000", records=(), kind="protective", boot_code_zero=True
)
CLASSIC = replace(PROTECTIVE, kind="classic", disk_signature="00C0FFEE")


def gpt(**changes: Any) -> Header:
    """Return a GPT drive with its protective record."""
    return drive(usual(), table={"mbr": PROTECTIVE} | changes)


def mbr(**changes: Any) -> Header:
    """Return an MBR drive."""
    return drive(usual(), table={"scheme": "mbr", "mbr": CLASSIC} | changes)


def bare() -> Header:
    """Return a drive without a table."""
    return drive([], table={"scheme": "none", "disk_id": None})


@pytest.mark.parametrize("rule", [SCHEME, INTACT, IDENTITY], ids=lambda rule: rule.slug)
@pytest.mark.parametrize("kind", [gpt, mbr], ids=["gpt", "mbr"])
def test_table_when_it_is_the_same_and_whole_then_it_is_quiet(
    rule: Rule, kind: Callable[[], Header]
) -> None:
    """The quiet twin of every case below."""
    assert quiet(rule, case_of(kind(), kind()))


def test_scheme_when_it_changed_then_it_is_review_both_ways() -> None:
    """docs/rules/table-scheme.md: GPT against MBR is review by itself."""
    case = case_of(gpt(), mbr())
    assert told_both_ways(SCHEME, case) == ([("review", None)], [("review", None)])
    assert "partition table is GPT, the new one's is MBR" in findings(SCHEME, case)[0].message


def test_scheme_when_the_new_drive_has_no_table_then_it_is_stop() -> None:
    """Nothing says where the partitions are; the mirror is review."""
    case = case_of(gpt(), bare())
    assert told_both_ways(SCHEME, case) == ([("stop", None)], [("review", None)])
    (mirror,) = findings(SCHEME, case_of(bare(), gpt()))
    assert mirror.message == "The old drive has no partition table, the new one has one (GPT)."


PRIMARY_BAD = {"primary": gpt_copy(1, SECTORS, problem="its CRC is wrong."), "used": "backup"}
PRIMARY_ENTRIES = {
    "primary": gpt_copy(1, SECTORS, entries_problem="their CRC is wrong."),
    "used": "backup",
}
BACKUP_BAD = {"backup": gpt_copy(SECTORS - 1, SECTORS, problem="its CRC is wrong.")}
BACKUP_MISSING = {"backup": None}
BACKUP_MIDDLE = {"backup_expected_lba": SECTORS + 99}
HYBRID = {"mbr": replace(PROTECTIVE, kind="hybrid")}


@pytest.mark.parametrize(
    ("fault", "level"),
    [
        (PRIMARY_BAD, "stop"),
        (PRIMARY_ENTRIES, "stop"),
        (BACKUP_BAD, "review"),
        (BACKUP_MISSING, "review"),
        (BACKUP_MIDDLE, "review"),
        (HYBRID, "note"),
    ],
    ids=["primary", "primary entries", "backup", "no backup", "backup in the middle", "hybrid"],
)
def test_intact_when_the_new_table_has_a_fault_then_its_part_gives_the_level(
    fault: dict[str, Any], level: str
) -> None:
    """UEFI 2.10 section 5.3.2: the tests of a header; the backup in the last block."""
    assert told(INTACT, case_of(gpt(), gpt(**fault))) == [(level, None)]


@pytest.mark.parametrize(
    "fault", [PRIMARY_BAD, BACKUP_BAD, BACKUP_MISSING, BACKUP_MIDDLE], ids=["1", "2", "3", "4"]
)
def test_intact_when_the_old_table_has_the_fault_too_then_it_is_a_note(
    fault: dict[str, Any],
) -> None:
    """And the old drive's alone is a note: the clone healed it."""
    assert told(INTACT, case_of(gpt(**fault), gpt(**fault))) == [("note", None)]
    assert told(INTACT, case_of(gpt(**fault), gpt())) == [("note", None)]


def test_intact_when_the_backup_stands_in_the_middle_then_both_places_are_said() -> None:
    """A clone to a larger drive leaves it where the old drive ended."""
    (finding,) = findings(INTACT, case_of(gpt(), gpt(**BACKUP_MIDDLE)))
    assert (
        f"LBA {SECTORS - 1}, not in the drive's last sector, LBA {SECTORS + 99}" in finding.message
    )
    assert (finding.source, finding.target) == (SECTORS - 1, SECTORS - 1)
    assert finding.message.startswith("The backup GPT of the new drive has its header at LBA ")


@pytest.mark.parametrize(("side", "expected"), [("old", "not_examined"), ("new", "different")])
def test_intact_when_two_answers_contradict_each_other_then_nothing_is_guessed(
    side: str, expected: str
) -> None:
    """On the old drive nobody knows what to compare; on the new one it is review."""
    unsure = gpt(ambiguous=("the two entry arrays name different partitions",))
    case = case_of(unsure, gpt()) if side == "old" else case_of(gpt(), unsure)
    assert expected in answers(INTACT, case)


def test_identity_when_it_is_new_then_it_is_review_with_both() -> None:
    """Right only if what names it was rewritten, which the boot rules tell."""
    case = case_of(gpt(), gpt(disk_id="0AC0FFEE-0000-4000-8000-000000000002"))
    assert told_both_ways(IDENTITY, case) == ([("review", None)], [("review", None)])


def test_identity_when_it_is_zero_then_there_is_none() -> None:
    """A system gives such a drive another one; the mirror gained one."""
    case = case_of(mbr(), mbr(disk_id="00000000"))
    assert told_both_ways(IDENTITY, case) == ([("review", None)], [("review", None)])
    assert "no disk identifier" in findings(IDENTITY, case)[0].message


def test_identity_when_the_tables_are_of_two_kinds_then_it_does_not_apply() -> None:
    """A GUID and a signature cannot be compared."""
    assert answers(IDENTITY, case_of(gpt(), mbr())) == ["not_applicable"]


LOOP = {"problems": ("the chain of logical partitions comes back to LBA 63",)}


@pytest.mark.parametrize(
    ("kind", "fault", "level", "words"),
    [
        (
            gpt,
            HYBRID,
            "note",
            "of the new drive lists further partitions beside the protective one",
        ),
        (
            gpt,
            {"mbr": replace(PROTECTIVE, problem="It covers 7 sectors.")},
            "note",
            "of the new drive does not follow the standard: it covers 7 sectors.",
        ),
        (gpt, {"primary": gpt_copy(1, SECTORS, alternate_lba=77)}, "review", "says LBA 77"),
        (
            gpt,
            {"primary": gpt_copy(1, SECTORS, remarks=("GPT bytes 20 to 24 are not zero",))},
            "note",
            "departs from the standard: GPT bytes 20 to 24 are not zero.",
        ),
        (gpt, LOOP, "review", "of the new drive cannot be read completely: the chain"),
        (
            gpt,
            LOOP | {"used": None},
            "stop",
            "of the new drive cannot be read completely: the chain",
        ),
        (
            gpt,
            LOOP | {"mbr": CLASSIC},
            "stop",
            "of the new drive cannot be read completely: the chain",
        ),
        (mbr, LOOP, "review", "of the new drive cannot be read completely: the chain"),
        (
            mbr,
            {"mbr": replace(CLASSIC, problem="It overlaps.")},
            "review",
            "of the new drive does not follow the standard: it overlaps.",
        ),
        (mbr, {"stale_gpt": True}, "note", "of the new drive still contains an old GPT"),
    ],
    ids=[
        "hybrid",
        "protective",
        "named",
        "remark",
        "chain",
        "unseen",
        "no record",
        "loop",
        "record",
        "stale",
    ],
)
def test_intact_when_the_new_table_has_another_fault_then_it_is_said_with_its_level(
    kind: Callable[..., Header], fault: dict[str, Any], level: str, words: str
) -> None:
    """UEFI 2.10 sections 5.2.1 and 5.2.3; what is not seen at all is stop."""
    (finding,) = findings(INTACT, case_of(kind(), kind(**fault)))
    assert finding.level == level
    assert words in finding.message


def test_intact_when_a_fault_that_is_a_note_is_on_both_then_it_is_passed_over() -> None:
    """A copy of a drive has no findings of its own."""
    assert quiet(INTACT, case_of(gpt(**HYBRID), gpt(**HYBRID)))


@pytest.mark.parametrize("old", [mbr(**LOOP), gpt(**LOOP, used=None)], ids=["mbr", "gpt"])
def test_intact_when_the_old_table_cannot_be_followed_then_it_is_not_examined(old: Header) -> None:
    """Nobody knows which partitions it has; a GPT of which one copy was read is certain."""
    assert "not_examined" in answers(INTACT, case_of(old, old))
    assert "not_examined" not in answers(INTACT, case_of(gpt(**LOOP), gpt()))


def test_intact_when_the_new_tables_contradict_each_other_then_it_is_review() -> None:
    """Unless the old drive's do so in the same way, which is not examined."""
    unsure = gpt(ambiguous=("The two entry arrays name different partitions.",))
    assert told(INTACT, case_of(gpt(), unsure)) == [("review", None)]
    assert told(INTACT, case_of(unsure, unsure)) == []


def test_identity_when_only_the_new_drive_has_one_then_the_sentence_says_so() -> None:
    """The mirror of a lost identity."""
    (finding,) = findings(IDENTITY, case_of(mbr(disk_id="00000000"), mbr()))
    assert finding.message == "The new drive has a disk identifier, the old one has none."
