"""Every file and folder that differs has a row; what a row says is known by construction."""

from __future__ import annotations

import tracemalloc
from collections import Counter
from dataclasses import replace

import pytest

from tests.matching.running_pairs import Running
from tests.rules.contents.drives import OTHER, TODAY, YESTERDAY, Side, a_file, a_folder
from verify.filesystem.entry import Entry
from verify.matching import marks, weigh, weigh_by_moment, zeroed
from verify.matching.level import Level
from verify.matching.pair_contents import Meaning
from verify.matching.told import COPIED_BY_HAND
from verify.rules.difference_rows import DifferenceRow, difference_rows
from verify.rules.judge_drives import compare

KEPT = [a_file(f"/kept/{number}.txt") for number in range(20)]


def rows(old: Side, new: Side) -> dict[str, DifferenceRow]:
    """Return the rows by path; no path has two."""
    found = list(difference_rows(old.manifest("old"), new.manifest("new")))
    assert len({row.path for row in found}) == len(found)
    return {row.path: row for row in found}


def test_rows_when_five_thousand_files_are_damaged_then_there_are_as_many() -> None:
    """The case that no output named: 5,000 damaged files, far beyond what a screen has."""
    paths = [f"/Pictures/{number:05}.jpg" for number in range(5000)]
    old = Side([a_file(path, size=1000) for path in paths])
    new = Side([a_file(path, size=1000, digest=OTHER) for path in paths])
    found = rows(old, new)
    assert list(found) == paths
    assert {(row.level, row.rule, row.compared, row.copy) for row in found.values()} == {
        (Level.STOP, "file-content", "full", True)
    }


def test_rows_when_more_differ_than_a_comparison_keeps_then_each_has_its_own() -> None:
    """A comparison keeps 10,000 of a meaning; the list is made anew, and counts agree with it."""
    paths = [f"/a/{number:06}" for number in range(10_500)]
    old, new = Side([a_file(path) for path in paths]), Side([*KEPT])
    sides = old.manifest("old"), new.manifest("new")
    assert sum(1 for _ in difference_rows(*sides)) == 10_500 + len(KEPT)
    counts = compare(*sides).difference_counts
    assert [(item.source, item.target) for item in counts] == [(1, 1)]
    assert (counts[0].count, counts[0].kinds) == (10_520, {"missing": 10_500, "extra": 20})
    assert counts[0].to_copy == 10_500


def test_rows_when_a_hundred_times_as_many_then_memory_stays() -> None:
    """What was yielded is not kept, beyond the first 10,000 of a meaning."""

    def peak(names: int) -> int:
        old = Side([a_file(f"/a/{number:06}", digest=OTHER) for number in range(names)])
        new = Side([a_file(f"/a/{number:06}") for number in range(names)])
        made = difference_rows(old.manifest("old"), new.manifest("new"))
        tracemalloc.start()
        count = sum(1 for _ in made)
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert count == names
        return top

    assert peak(60_000) < 1.5 * peak(12_000)


def test_rows_when_one_of_each_kind_then_it_is_called_so() -> None:
    """One name for each kind that a list knows."""
    link = Entry("link", "/link", modified=YESTERDAY, node=9, target="/a", size=2)
    old = Side(
        [
            *KEPT,
            a_folder("/lost"),
            a_file("/lost/one.txt"),
            a_file("/shorter.txt", size=100),
            a_file("/damaged.txt"),
            a_file("/touched.txt"),
            a_file("/read-only.txt", attributes=0x20),
            a_file("/owned.txt", owner="S-1-5-18"),
            a_file("/unread.txt", digest=None, unhashed="it touches sectors that cannot be read"),
            a_file("/pagefile.sys", digest=None),
            a_file("/drawn.bin", size=20 << 20, digest=None, blocks=[(3, "ab" * 32)]),
            link,
        ]
    )
    new = Side(
        [
            *KEPT,
            a_file("/shorter.txt", size=50, digest=OTHER),
            a_file("/damaged.txt", digest=OTHER),
            a_file("/touched.txt", modified=TODAY),
            a_file("/read-only.txt", attributes=0x21),
            a_file("/owned.txt", owner="S-1-5-19"),
            a_file("/unread.txt"),
            a_file("/further.txt"),
            a_file("/drawn.bin", size=20 << 20, digest=None, blocks=[(3, "cd" * 32)]),
            replace(link, target="/b"),
        ]
    )
    found = rows(old, new)
    assert {path: row.kinds for path, row in found.items()} == {
        "/lost": ("missing",),
        "/lost/one.txt": ("missing",),
        "/shorter.txt": ("size",),
        "/damaged.txt": ("contents",),
        "/touched.txt": ("times",),
        "/read-only.txt": ("attributes",),
        "/owned.txt": ("security",),
        "/unread.txt": ("unreadable",),
        "/pagefile.sys": ("missing", "excluded"),
        "/further.txt": ("extra",),
        "/drawn.bin": ("contents",),
        "/link": ("links",),
    }
    assert {path for path, row in found.items() if row.copy} == {
        *("/lost", "/lost/one.txt", "/shorter.txt", "/damaged.txt", "/drawn.bin", "/link")
    }
    assert found["/drawn.bin"].compared == "blocks"
    assert found["/unread.txt"].compared == "no"
    shorter = found["/shorter.txt"]
    assert (shorter.source_bytes, shorter.target_bytes) == (100, 50)
    assert found["/touched.txt"].target_modified == TODAY
    assert found["/pagefile.sys"].rule == "file-expected-change"
    lost = found["/lost/one.txt"]
    assert (lost.source_path, lost.target_path, lost.node) == ("/lost/one.txt", None, "file")


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_rows_when_a_system_ran_on_then_each_difference_is_after_the_moment(seed: int) -> None:
    """Known by construction: whatever differs was written after the copy, or while it was made."""
    pair = Running(("windows", "linux", "data")[seed % 3], seed, torn=seed == 3)
    old, new = pair.sides()
    found = rows(old, new)
    times = Counter(row.moment for row in found.values() if "excluded" not in row.kinds)
    assert times["before"] == 0
    assert times["after"]
    work = {row.path for row in found.values() if row.by == "person" and row.copy}
    assert work
    moved = [row for row in found.values() if "moved" in row.kinds and row.source_path == row.path]
    for row in moved:
        assert row.target_path in pair.copy
        assert row.target_path != row.path


def test_rows_when_one_is_lost_among_them_then_it_stands_before_the_moment() -> None:
    """The one loss is the only row of its kind, and is to be copied."""
    pair = Running("windows", 6)
    lost = next(path for path in pair.copy if path.startswith("/Pictures") or "letter-3." in path)
    del pair.copy[lost]
    found = rows(*pair.sides())
    stops = [row for row in found.values() if row.level is Level.STOP]
    assert [(row.path, row.moment, row.copy) for row in stops] == [(lost, "before", True)]


@pytest.mark.parametrize("path", ["/a/../b", "/..", "/a//b", "/a/\0b", "/./a"])
def test_rows_when_a_name_would_lead_elsewhere_then_it_is_not_to_be_copied(path: str) -> None:
    """A volume may hold any name; a copying tool must not follow one out of its folder."""
    found = rows(Side([*KEPT, a_file(path)]), Side([*KEPT]))
    assert not found[path].copy


def test_meanings_when_their_advice_is_to_copy_then_lists_have_them() -> None:
    """What a person is told to copy stands in the list of what to copy, and nothing else does.

    Left apart on purpose: offline files that first want synchronising are not told to be copied.
    """
    known = {
        value
        for module in (marks, weigh, weigh_by_moment, zeroed)
        for value in vars(module).values()
        if isinstance(value, Meaning)
    }
    assert len(known) > 30
    told = {item for item in known if "opy it" in item.advice or "Copy the" in item.advice}
    by_clone = {marks.POINTS_ELSEWHERE, marks.LINK_REPLACED}
    assert told | by_clone == COPIED_BY_HAND
