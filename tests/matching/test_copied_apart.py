"""Volumes of one new drive that were copied at different times, and those that only look so."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import pytest

from tests.matching.running_pairs import DAY, HOUR, NOW, Running
from tests.matching.test_moment import FILE_RULES, LOSSES, stops
from verify.manifest.file import Manifest
from verify.rules.judge_drives import compare

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from verify.rules.comparison_document import Comparison


@dataclass
class _Together:
    """Manifests of one partition each, as one drive with as many."""

    parts: list[Manifest]
    digest: str = "ab" * 32

    @property
    def header(self) -> Any:
        first = self.parts[0].header
        partitions = tuple(
            part.header.partitions[0].model_copy(update={"number": at, "start_lba": at * 999_424})
            for at, part in enumerate(self.parts, 1)
        )
        return first.model_copy(update={"partitions": partitions})

    def entries(self, number: int) -> Any:
        return self.parts[number - 1].entries(number)

    def listing(self, number: int) -> AbstractContextManager[Any]:
        return self.parts[number - 1].listing(number)


def judged(*pairs: Running, kinds: tuple[str, ...] = ("", "")) -> Comparison:
    """Compare drives of as many volumes."""
    sides: tuple[list[Manifest], list[Manifest]] = ([], [])
    for pair, kind in zip(pairs, kinds, strict=True):
        for side, name, into in zip(pair.sides(), ("old", "new"), sides, strict=True):
            into.append(replace(side, kind=kind or side.kind).manifest(name))
    old, new = (cast("Manifest", _Together(parts)) for parts in sides)
    return compare(old, new, FILE_RULES)


def apart(comparison: Comparison) -> list[tuple[str, int | None]]:
    """Return what is said of volumes that were not copied together."""
    return [
        (item.level.value, item.partition)
        for item in comparison.findings
        if "not copied together" in item.message
    ]


def copied(pair: Running, at: int) -> Running:
    """Return a pair whose volume is written, copied and written again, around a time."""
    pair.volume.clock = at - HOUR
    pair.run(30, HOUR)
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    pair.run(120, 2 * HOUR)
    return pair


def quiet(at: int) -> Running:
    """Return a data volume on which nothing was written for a month, but after the copy."""
    pair = Running("data", 6, innocent=6)
    pair.volume.rows = dict(pair.copy)
    for row in pair.volume.rows.values():
        row.modified = row.changed = row.created = (row.changed or 0) - 60 * DAY
    pair.volume.clock = NOW - 30 * DAY
    pair.volume.write("/photos/2024/last.jpg", 100)
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    pair.volume.clock = at + HOUR
    pair.volume.write("/photos/2024/later.jpg", 100)
    return pair


@pytest.mark.parametrize(("later", "said"), [(HOUR, 0), (11 * HOUR, 0), (3 * DAY, 1)])
def test_compare_when_one_volume_was_copied_days_before_then_it_is_named(
    later: int, said: int
) -> None:
    """In one sitting, and in two."""
    first = copied(Running("data", 1, innocent=60), NOW + DAY)
    second = copied(Running("windows", 2, innocent=60), NOW + DAY + later)
    comparison = judged(first, second)
    assert apart(comparison) == [("review", 1)] * said
    assert apart(judged(second, first)) == [("review", 2)] * said
    assert stops(comparison) == []


def test_compare_when_a_volume_rested_for_weeks_then_its_old_moment_is_right() -> None:
    """Only a write that was missed proves an old copy: none here is before the other's moment."""
    at = NOW + DAY
    busy = copied(Running("windows", 3, innocent=60), at)
    rested = quiet(at)
    assert rested.volume.rows.keys() - rested.copy.keys()
    comparison = judged(rested, busy)
    gap = (comparison.moments[1].copied or 0) - (comparison.moments[0].copied or 0)
    assert gap > 20 * DAY
    assert apart(comparison) == []
    LOSSES[3](rested, path := rested.untouched(["/photos/2019/x"])[0])
    comparison = judged(rested, busy)
    assert path in {named for _, named in stops(comparison)}
    assert apart(comparison) == []


@pytest.mark.parametrize(("hours", "said"), [(30, 0), (60, 1)])
def test_compare_when_one_of_them_is_fat_then_local_time_is_allowed_for(
    hours: int, said: int
) -> None:
    """Its times may be of another zone: up to 26 hours (UTC-12 to UTC+14)."""
    stick = quiet(NOW + DAY)
    for rows in (stick.volume.rows, stick.copy):
        for row in rows.values():
            row.changed = None
    busy = copied(Running("windows", 4, innocent=60), NOW + DAY + (hours + 2) * HOUR)
    comparison = judged(stick, busy, kinds=("fat32", "ntfs"))
    assert apart(comparison) == [("review", 1)] * said
