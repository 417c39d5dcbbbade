"""Holding a new drive to the layout that was declared before the clone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.rules.rule import Level
from verify.rules.shared import name_of, size_bytes, start_bytes
from verify.text.message import joined, say

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.declared import Declared, DeclaredPlace
    from verify.rules.rule import Case, RuleAnswer

_CHANGE = say("Change the layout to match the fit, or work out the fit again.")
_OTHER = say("Use the fit that was worked out for this old drive, or work it out again.")
_LOOK = say("Check that this is the right drive.")


def tell_size(case: Case, answer: RuleAnswer, old: Partition, new: Partition) -> None:
    """Hold a pair's size to the fit: as declared is a note where it changed, else a finding."""
    place = _place_of(case, old)
    sizes = size_bytes(case.source, old), size_bytes(case.target, new)
    if place is None:
        if sizes[0] == sizes[1]:
            return
        message = say(
            "{partition} has {new_size:,} bytes on the new drive and {old_size:,} on"
            " the old one; the fit declares no change for it.",
            partition=name_of(new),
            new_size=sizes[1],
            old_size=sizes[0],
        )
        level, advice = Level.REVIEW, _CHANGE
    elif place.size != sizes[1]:
        message = say(
            "{partition} has {new_size:,} bytes on the new drive; the fit declares {size:,}.",
            partition=name_of(new),
            new_size=sizes[1],
            size=place.size,
        )
        level, advice = Level.REVIEW, _CHANGE
    elif sizes[0] != sizes[1]:
        message = say(
            "{partition} has {new_size:,} bytes instead of {old_size:,}, as the fit declares.",
            partition=name_of(new),
            new_size=sizes[1],
            old_size=sizes[0],
        )
        level, advice = Level.NOTE, say("Nothing to do: this change was declared.")
    else:
        return
    answer.find(level, message, advice, partition=new.number, source=sizes[0], target=sizes[1])


def tell_places(case: Case, answer: RuleAnswer) -> None:
    """Hold every start, and the drive itself, to the fit."""
    declared = case.declared
    if declared is None:
        return
    unknown = [old.number for old, _ in case.matched if _place_of(case, old) is None]
    if unknown:
        numbers = joined(str(number) for number in unknown)
        message = say(
            "The fit does not match the old drive's partitions: {numbers}.",
            numbers=numbers,
        )
        answer.find(Level.REVIEW, message, _OTHER)
    for old, new in case.matched:
        place = _place_of(case, old)
        start = start_bytes(case.target, new)
        if place is not None and place.start != start:
            message = say(
                "{partition} starts at byte {start:,} of the new drive; the fit declares"
                " {declared:,}.",
                partition=name_of(new),
                start=start,
                declared=place.start,
            )
            answer.find(
                Level.REVIEW,
                message,
                _CHANGE,
                partition=new.number,
                source=start_bytes(case.source, old),
                target=start,
            )
    _tell_drive(case, answer, declared)


def _tell_drive(case: Case, answer: RuleAnswer, declared: Declared) -> None:
    size, sector = case.target.drive.size_bytes, case.target.table.sector_bytes
    if sector != declared.sector_bytes:
        message = say(
            "The new drive has sectors of {sector:,} bytes; the fit was worked out"
            " for {sector_bytes:,}.",
            sector=sector,
            sector_bytes=declared.sector_bytes,
        )
        answer.find(
            Level.REVIEW, message, _CHANGE, source=case.source.table.sector_bytes, target=sector
        )
    if size // sector != declared.size_bytes // sector:
        message = say(
            "The new drive has {size:,} bytes; the fit was worked out for {size_bytes:,}.",
            size=size,
            size_bytes=declared.size_bytes,
        )
        answer.find(Level.NOTE, message, _LOOK, source=case.source.drive.size_bytes, target=size)


def _place_of(case: Case, old: Partition) -> DeclaredPlace | None:
    """Return a partition's place; `None` where the fit has none for what stands there."""
    place = case.declared.places.get(old.number) if case.declared else None
    was = start_bytes(case.source, old), size_bytes(case.source, old)
    return place if place and (place.was_start, place.was_size) == was else None
