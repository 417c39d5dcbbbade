"""A clone held to the layout that was declared: what is as declared, and every departure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from tests.rules.cases import (
    MIB,
    case_of,
    changed,
    compared,
    drive,
    findings,
    partition,
    told,
    usual,
)
from verify.rules.declared import Declared, DeclaredPlace
from verify.rules.partition import partition_bounds, partition_extra, partition_size

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.rule import Case

PER_MIB = 2048
NEW_MIB = 900


def declared(**changes: Any) -> Declared:
    """Return a fit of the usual drive: its system shrunk from 500 to 400 MiB, recovery behind."""
    places = {
        1: (1, 260, 1, 260),
        2: (261, 16, 261, 16),
        3: (277, 400, 277, 500),
        4: (677, 200, 777, 200),
    }
    plain = Declared(
        size_bytes=NEW_MIB * MIB,
        sector_bytes=512,
        places={
            number: DeclaredPlace(
                start=start * MIB, size=size * MIB, was_start=was * MIB, was_size=had * MIB
            )
            for number, (start, size, was, had) in places.items()
        },
    )
    return replace(plain, **changes)


def case(
    target: list[Partition], fit: Declared | None, *, size_mib: int = NEW_MIB, proven: bool = True
) -> Case:
    """Return the usual drive and a clone, held to a fit."""
    source, new = drive(usual()), drive(target, size_mib=size_mib)
    contents = [compared(item.number) for item in target if item.readable] if proven else []
    return replace(case_of(source, new, contents), declared=fit)


def as_declared() -> list[Partition]:
    """Return the clone that is exactly what was declared."""
    return usual(400)


def test_clone_when_as_declared_then_the_change_is_a_note_and_nothing_else() -> None:
    """The shrink is reported as declared, and no other rule of places speaks."""
    held = case(as_declared(), declared())
    assert told(partition_size.RULE, held) == [("note", 3)]
    assert "as the fit declares" in findings(partition_size.RULE, held)[0].message
    assert told(partition_bounds.RULE, held) == []
    assert told(partition_extra.RULE, held) == []


def test_clone_when_a_size_departs_then_it_is_a_finding() -> None:
    """Less than declared, a declared change that was not made, one that was not declared."""
    less = changed(as_declared(), 3, sectors=399 * PER_MIB)
    assert told(partition_size.RULE, case(less, declared())) == [("review", 3)]
    unchanged = case(usual(500), declared(), size_mib=1000)
    assert told(partition_size.RULE, unchanged) == [("review", 3)]
    other = changed(as_declared(), 1, sectors=259 * PER_MIB)
    assert told(partition_size.RULE, case(other, declared())) == [("review", 1), ("note", 3)]


def test_clone_when_a_start_departs_then_it_is_a_finding() -> None:
    """A recovery partition one MiB behind its declared place."""
    moved = changed(as_declared(), 4, start_lba=678 * PER_MIB)
    held = case(moved, declared())
    assert told(partition_bounds.RULE, held) == [("review", 4)]
    assert f"{677 * MIB:,}" in findings(partition_bounds.RULE, held)[0].message
    assert told(partition_bounds.RULE, case(moved, None)) == []


def test_clone_when_a_partition_was_added_then_it_is_a_finding() -> None:
    """What the fit does not have is more than a note."""
    added = [*as_declared(), partition(5, 877, 10, "ext4", of={"id": "FFFF"})]
    assert told(partition_extra.RULE, case(added, declared())) == [("review", 5)]
    assert told(partition_extra.RULE, case(added, None)) == [("note", 5)]


def test_fit_when_of_another_old_drive_then_it_is_told_once() -> None:
    """Its old places are not those of this drive: nothing is taken as declared."""
    other = declared()
    places = {
        number: replace(place, was_start=place.was_start + MIB)
        for number, place in other.places.items()
    }
    held = case(as_declared(), declared(places=places))
    assert told(partition_bounds.RULE, held) == [("review", None)]
    assert told(partition_size.RULE, held) == [("review", 3)]


def test_new_drive_when_of_another_size_or_sectors_then_it_is_told() -> None:
    """Another size alone is a note; other sectors are for a person to decide."""
    assert told(partition_bounds.RULE, case(as_declared(), declared(), size_mib=950)) == [
        ("note", None)
    ]
    held = case(as_declared(), declared(sector_bytes=4096))
    assert told(partition_bounds.RULE, held) == [("review", None)]
