"""Holding a new drive to the layout that was declared before the clone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.rules.rule import Level
from verify.rules.shared import name_of, size_bytes, start_bytes

if TYPE_CHECKING:
    from verify.manifest.header import Partition
    from verify.rules.declared import Declared, DeclaredPlace
    from verify.rules.rule import Case, Tally

_CHANGE = "Change the layout to what the fit says, or work out the fit again."
_OTHER = "Give the fit that was worked out for this old drive, or work it out again."
_LOOK = "See whether it is the drive that was meant."


def tell_size(case: Case, tally: Tally, old: Partition, new: Partition) -> None:
    """Hold a pair's size to the fit: as declared is a note where it changed, else a finding."""
    place = _place_of(case, old)
    sizes = size_bytes(case.source, old), size_bytes(case.target, new)
    if place is None:
        if sizes[0] == sizes[1]:
            return
        message = (
            f"{name_of(new)} has {sizes[1]:,} bytes on the new drive, {sizes[0]:,} on the old one;"
            " the fit declares no change of it."
        )
        level, advice = Level.REVIEW, _CHANGE
    elif place.size != sizes[1]:
        message = (
            f"{name_of(new)} has {sizes[1]:,} bytes on the new drive; the fit declares"
            f" {place.size:,}."
        )
        level, advice = Level.REVIEW, _CHANGE
    elif sizes[0] != sizes[1]:
        message = (
            f"{name_of(new)} has {sizes[1]:,} bytes instead of {sizes[0]:,}, as the fit declares."
        )
        level, advice = Level.NOTE, "Nothing to do: this change was declared."
    else:
        return
    tally.find(level, message, advice, partition=new.number, source=sizes[0], target=sizes[1])


def tell_places(case: Case, tally: Tally) -> None:
    """Hold every start, and the drive itself, to the fit."""
    declared = case.declared
    if declared is None:
        return
    unknown = [old.number for old, _ in case.matched if _place_of(case, old) is None]
    if unknown:
        numbers = ", ".join(str(number) for number in unknown)
        message = f"The fit does not tell of the old drive's partitions as they are: {numbers}."
        tally.find(Level.REVIEW, message, _OTHER)
    for old, new in case.matched:
        place = _place_of(case, old)
        start = start_bytes(case.target, new)
        if place is not None and place.start != start:
            message = (
                f"{name_of(new)} starts at byte {start:,} of the new drive; the fit declares"
                f" {place.start:,}."
            )
            tally.find(
                Level.REVIEW,
                message,
                _CHANGE,
                partition=new.number,
                source=start_bytes(case.source, old),
                target=start,
            )
    _tell_drive(case, tally, declared)


def _tell_drive(case: Case, tally: Tally, declared: Declared) -> None:
    size, sector = case.target.drive.size_bytes, case.target.table.sector_bytes
    if sector != declared.sector_bytes:
        message = (
            f"The new drive counts in sectors of {sector} bytes; the fit was worked out for"
            f" {declared.sector_bytes}."
        )
        tally.find(
            Level.REVIEW, message, _CHANGE, source=case.source.table.sector_bytes, target=sector
        )
    if size // sector != declared.size_bytes // sector:
        message = (
            f"The new drive has {size:,} bytes; the fit was worked out for {declared.size_bytes:,}."
        )
        tally.find(Level.NOTE, message, _LOOK, source=case.source.drive.size_bytes, target=size)


def _place_of(case: Case, old: Partition) -> DeclaredPlace | None:
    """Return a partition's place; `None` where the fit has none for what stands there."""
    place = case.declared.places.get(old.number) if case.declared else None
    was = start_bytes(case.source, old), size_bytes(case.source, old)
    return place if place and (place.was_start, place.was_size) == was else None
