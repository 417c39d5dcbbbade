"""Where differing files lie: arithmetic on clusters and sectors."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from tests.rules.cases import MIB, PER_MIB, case_of, compared, drive, usual
from verify.filesystem.entry import Entry
from verify.matching.level import Level
from verify.matching.pair_contents import Difference, Meaning, Sorted
from verify.rules.damage_places import joined, places
from verify.text.message import say

BAD = Meaning(Level.STOP, say("is bad"), say("are bad"), say("Look."))
MEANT = Meaning(Level.NOTE, say("is meant"), say("are meant"), say("Nothing."))


def differences(meaning: Meaning, *extents: list[tuple[int, int]]) -> Sorted:
    """Return files with these extents that differ, the same on both sides."""
    found = Sorted()
    for number, runs in enumerate(extents):
        entry = Entry("file", f"/{number}", size=5000, extents=runs)
        found.add(meaning, Difference(f"/{number}", entry, entry))
    return found


def test_places_when_files_are_missing_then_their_sectors_on_the_old_drive_are_told() -> None:
    """By arithmetic: cluster 10 of 4,096 bytes is 80 sectors of 512 behind the first one."""
    number = next(p.number for p in usual() if p.filesystem.kind == "ntfs")
    old = drive(usual())
    part = old.partition(number)
    assert part is not None
    missing = differences(BAD, [(10, 2)], [(12, 1), (100, 1)], [])
    (row,) = places(case_of(old, drive(usual()), [compared(number, missing=missing)]))
    assert (row.side, row.partition, row.what) == ("source", number, "missing")
    assert (row.files, row.placed, row.bytes) == (3, 2, 15_000)
    told = [(item.start_lba - part.start_lba, item.sectors) for item in row.ranges]
    assert told == [(80, 24), (800, 8)]


def test_places_when_files_changed_then_both_drives_are_told_each_by_its_own_start() -> None:
    """By arithmetic: 100 MiB further on the new drive are 204,800 sectors."""
    number = next(p.number for p in usual() if p.filesystem.kind == "ntfs")
    old = drive(usual())
    moved = [p.model_copy(update={"start_lba": p.start_lba + 100 * PER_MIB}) for p in usual()]
    changed = differences(BAD, [(10, 1)])
    rows = list(places(case_of(old, drive(moved), [compared(number, changed=changed)])))
    assert [row.side for row in rows] == ["source", "target"]
    assert rows[1].ranges[0].start_lba - rows[0].ranges[0].start_lba == 100 * MIB // 512


def test_places_when_a_difference_is_a_note_then_it_has_no_place() -> None:
    """A picture of all that changed on purpose would hide the rest."""
    number = next(p.number for p in usual() if p.filesystem.kind == "ntfs")
    changed = differences(MEANT, [(10, 1)])
    case = case_of(drive(usual()), drive(usual()), [compared(number, changed=changed)])
    assert list(places(case)) == []


def test_places_when_clusters_are_not_counted_from_the_start_then_only_numbers_are_told() -> None:
    """On FAT the first cluster is behind the tables: no place is better than a wrong one."""
    number = next(p.number for p in usual() if p.filesystem.kind == "fat32")
    missing = differences(BAD, [(10, 1)])
    (row,) = places(case_of(drive(usual()), drive(usual()), [compared(number, missing=missing)]))
    assert (row.files, row.placed, row.ranges) == (1, 0, ())


def test_runs_when_too_many_then_the_nearest_are_joined() -> None:
    """By hand: of the gaps 1, 96 and 10 the widest stays."""
    runs = [(110, 112), (0, 1), (2, 4), (100, 100 + 1)]
    assert joined(runs, 4) == [(0, 1), (2, 4), (100, 101), (110, 112)]
    assert joined(runs, 2) == [(0, 4), (100, 112)]
    assert joined(runs, 1) == [(0, 112)]


@given(
    st.lists(st.tuples(st.integers(0, 500), st.integers(1, 20))),
    st.integers(min_value=1, max_value=9),
)
def test_runs_when_joined_then_none_is_lost(lengths: list[tuple[int, int]], most: int) -> None:
    """Every byte stays covered, in order, apart, and by no more runs than asked for."""
    runs = [(first, first + length) for first, length in lengths]
    told = joined(runs, most)
    assert len(told) <= most
    assert all(before[1] < after[0] for before, after in pairwise(told))
    for first, end in runs:
        assert any(start <= first and end <= stop for start, stop in told)
