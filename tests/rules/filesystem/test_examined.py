"""Faults in a volume's own structures, and in its record of what is in use."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from tests.rules.cases import (
    answers,
    case_of,
    changed,
    compared,
    drive,
    findings,
    partition,
    quiet,
    refiled,
    told,
    told_both_ways,
    usual,
)
from verify.filesystem.description import Unread
from verify.filesystem.examination import Effect, Examination, Fault, Recorder
from verify.manifest.partition_contents import Listing
from verify.rules.filesystem import filesystem_allocation, filesystem_structure

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Rule

STRUCTURE, ALLOCATION = filesystem_structure.RULE, filesystem_allocation.RULE
MIRROR = Fault(
    effect=Effect.REPAIRED,
    structure="$MFTMirr",
    place="record 2",
    field="contents",
    stored="differs",
    expected="as record 2 of $MFT",
)


def clean() -> Examination:
    """An examination of a whole volume."""
    return Examination(
        structure=Recorder().compared(20).result(), allocation=Recorder().compared(20).result()
    )


def faulty(*faults: Fault, log_applied: bool = False) -> Examination:
    """An examination that found these, in both halves."""
    recorder = Recorder()
    recorder.compared(20)
    for fault in faults:
        recorder.fault(fault)
    return Examination(
        structure=recorder.result(), allocation=recorder.result(), log_applied=log_applied
    )


def seen(*faults: Fault) -> list[Partition]:
    """Return the usual partitions, all examined; these faults in the system's."""
    items = [
        item.model_copy(update={"examination": clean()}) if item.filesystem.kind != "msr" else item
        for item in usual()
    ]
    return changed(items, 3, examination=faulty(*faults) if faults else clean())


@pytest.mark.parametrize("rule", [STRUCTURE, ALLOCATION], ids=lambda rule: rule.slug)
def test_examined_when_both_are_whole_then_it_is_quiet(rule: Rule) -> None:
    """The quiet twin, with what was compared counted."""
    case = case_of(drive(seen()), drive(seen()))
    assert quiet(rule, case)
    assert rule(case)[0][0].compared > 0


@pytest.mark.parametrize("rule", [STRUCTURE, ALLOCATION], ids=lambda rule: rule.slug)
@pytest.mark.parametrize(
    ("effect", "level"),
    [
        (Effect.REFUSED, "stop"),
        (Effect.LOST, "stop"),
        (Effect.OVERWRITTEN, "stop"),
        (Effect.REPAIRED, "review"),
        (Effect.WASTED, "note"),
    ],
)
def test_examined_when_the_new_drive_alone_has_a_fault_then_its_effect_weighs(
    rule: Rule, effect: Effect, level: str
) -> None:
    """A fault of the old drive alone is a note about it."""
    case = case_of(drive(seen()), drive(seen(replace(MIRROR, effect=effect))))
    assert told_both_ways(rule, case) == ([(level, 3)], [("note", 3)])


def test_examined_when_both_have_the_same_fault_then_it_is_a_note() -> None:
    """The same place with the same value: as on the old drive."""
    both = seen(replace(MIRROR, effect=Effect.LOST))
    found = findings(STRUCTURE, case_of(drive(both), drive(both)))
    assert [(item.level.value, "as on the old drive" in item.message) for item in found] == [
        ("note", True)
    ]


@pytest.mark.parametrize("changes", [{"stored": "zeros"}, {"place": "record 3"}])
def test_examined_when_the_old_fault_is_another_then_it_excuses_nothing(
    changes: dict[str, str],
) -> None:
    """Another place, or another value at the same place, is a fault of its own."""
    old = seen(replace(MIRROR, effect=Effect.LOST, **changes))  # type: ignore[arg-type]
    new = seen(replace(MIRROR, effect=Effect.LOST))
    assert told(STRUCTURE, case_of(drive(old), drive(new))) == [("stop", 3), ("note", 3)]


def test_examined_when_faults_are_more_than_are_kept_then_all_count() -> None:
    """What is not kept one by one is known as the old drive's only where all of it is."""
    many = [replace(MIRROR, effect=Effect.LOST, place=f"record {n}") for n in range(1000)]
    new = seen(*many)
    assert told(STRUCTURE, case_of(drive(new), drive(new))) == [("note", 3), ("note", 3)]
    other = seen(*many[:-1], replace(many[-1], stored="zeros"))
    assert told(STRUCTURE, case_of(drive(other), drive(new))) == [("note", 3), ("stop", 3)]


def test_examined_when_changes_wait_in_the_log_then_a_person_decides() -> None:
    """Its system may put right what looks lost; where the log was applied, nothing will."""
    new = refiled(seen(replace(MIRROR, effect=Effect.OVERWRITTEN)), 3, log="pending")
    assert told(ALLOCATION, case_of(drive(seen()), drive(new))) == [("review", 3)]
    applied = faulty(replace(MIRROR, effect=Effect.OVERWRITTEN), log_applied=True)
    new = changed(new, 3, examination=applied)
    assert told(ALLOCATION, case_of(drive(seen()), drive(new))) == [("stop", 3)]


def test_examined_when_a_volume_was_not_then_it_is_left_out_by_name() -> None:
    """Absence of evidence is an outcome."""
    case = case_of(drive(seen()), drive(changed(seen(), 3, examination=None)))
    outcomes, _ = STRUCTURE(case)
    assert [item.outcome.value for item in outcomes] == ["not_examined"]
    assert "partition 3: the structures of ntfs" in (outcomes[0].reason or "")


def test_examined_when_a_part_was_left_out_then_the_answer_says_so() -> None:
    """A half-read volume is not the same."""
    recorder = Recorder()
    recorder.compared(3)
    recorder.leave_out("the up-case table could not be read")
    half = Examination(structure=recorder.result(), allocation=recorder.result())
    case = case_of(drive(seen()), drive(changed(seen(), 3, examination=half)))
    assert answers(STRUCTURE, case) == ["not_examined"]


# --- files that cannot be listed --------------------------------------------------------------

ROOT = "its files could not be listed: the reader could not open the folder /"


def unlisted(reason: str, *, what: str = "contents", **changes: object) -> list[Partition]:
    """Return the usual partitions; the files of the system's were not listed, or not all."""
    items = changed(usual(), 3, examination=clean(), unread=(Unread(what=what, reason=reason),))
    return changed(items, 3, **changes)


def test_listing_when_the_root_folder_is_unreadable_then_it_stops_in_its_own_words() -> None:
    """It hides every file; a volume whose log waits is a person's decision."""
    old, new = drive(seen()), drive(unlisted(ROOT, listing=None))
    found = findings(STRUCTURE, case_of(old, new, []))
    assert [(str(item.level), item.partition) for item in found] == [("stop", 3)]
    assert "of the new drive: its files could not be listed" in found[0].message
    waiting = drive(refiled(unlisted(ROOT, listing=None), 3, log="pending"))
    assert told(STRUCTURE, case_of(old, waiting, [])) == [("review", 3)]


def test_listing_when_it_is_cut_on_the_new_drive_then_it_stops() -> None:
    """A folder in the middle of the volume, unreadable there alone."""
    part = Listing(files=2, folders=1, bytes=20, complete=False)
    new = drive(unlisted("/Users: no such record", what="listing", listing=part))
    assert told(STRUCTURE, case_of(drive(seen()), new)) == [("stop", 3)]
    assert told(STRUCTURE, case_of(new, new)) == []


def test_listing_when_the_old_drive_alone_cannot_be_listed_then_the_clone_is_not_blamed() -> None:
    """What cannot be compared is reported by the rules of the contents."""
    case = case_of(drive(unlisted(ROOT, listing=None)), drive(seen()), [])
    assert told(STRUCTURE, case) == []


def test_fault_when_a_checksum_is_stored_over_other_contents_then_it_is_another_one() -> None:
    """The same wrong number, and other damage under it, is no fault that the old drive has."""
    one = replace(
        MIRROR, effect=Effect.LOST, field="checksum", stored="00000001", expected="0A0A0A0A"
    )
    other = replace(one, expected="0B0B0B0B")
    assert [level for level, _ in told(STRUCTURE, case_of(drive(seen(one)), drive(seen(one))))] == [
        "note"
    ]
    found = told(STRUCTURE, case_of(drive(seen(one)), drive(seen(other))))
    assert ("stop", 3) in found


# --- kinds of which the headers alone are examined --------------------------------------------


def locked(*faults: Fault) -> list[Partition]:
    """Return a drive's one encrypted partition, its headers examined."""
    recorder = Recorder()
    recorder.compared(3)
    for fault in faults:
        recorder.fault(fault)
    seen_headers = Examination(structure=recorder.result())
    return [partition(1, 1, 500, "luks", examination=seen_headers)]


def test_headers_when_blocks_were_not_compared_then_the_rest_is_left_out() -> None:
    """Whole headers say nothing of what lies behind them; equal blocks do."""
    old, new = drive(locked()), drive(locked())
    (answer,), found = STRUCTURE(case_of(old, new))
    assert (answer.outcome, found) == ("not_examined", ())
    blocks = compared(1, raw=True, blocks=12)
    (answer,), found = STRUCTURE(case_of(old, new, [blocks]))
    assert (answer.outcome, found) == ("same", ())
    (answer,), _ = ALLOCATION(case_of(old, new, [blocks]))
    assert answer.outcome != "not_examined"


def test_headers_when_both_copies_are_damaged_on_the_new_drive_then_it_stops() -> None:
    """Nobody opens that volume again."""
    fault = replace(MIRROR, effect=Effect.REFUSED, structure="LUKS header", place="copy 1")
    assert told(STRUCTURE, case_of(drive(locked()), drive(locked(fault)))) == [("stop", 1)]


def test_examined_when_a_place_holds_a_path_then_no_value_tells_it() -> None:
    """A customer's folder stands in the finding's path alone, which an edition may leave out."""
    hit = replace(MIRROR, place="/LETTERS/OLGA, entry 3", path="/Letters/Olga/Will.odt")
    (found,) = findings(STRUCTURE, case_of(drive(seen()), drive(seen(hit))))
    assert found.path == "/Letters/Olga/Will.odt"
    assert found.target == "contents: differs (expected: as record 2 of $MFT)"
