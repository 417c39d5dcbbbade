"""A clock that was wrong on one of the drives hides no loss, and later use stays later use."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.matching.running_pairs import DAY, HOUR, NAMES, NOW, Running
from tests.matching.test_kept_times import judged as kept_judged
from tests.matching.test_moment import FILE_RULES, LOSSES, a_pair, judged, stops
from tests.rules.contents.drives import SECOND
from verify.filesystem.description import ChangeJournal
from verify.matching.survey import ALL_LATER
from verify.rules.judge_drives import compare

YEAR = 365 * DAY
REPORT = "/Users/orla/Documents/report.docx"
OTHER = "/Users/orla/Documents/other.docx"


def a_year_ahead(*, until: int = 0) -> Running:
    """Return a pair whose system ran a year ahead when it was copied, and is right afterwards.

    Two documents are written under the wrong clock, before the copy.
    """
    pair = Running("windows", 41, innocent=60)
    right = pair.volume.clock
    pair.volume.clock = NOW + YEAR
    for path in (REPORT, OTHER):
        pair.volume.write(path, 700)
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    pair.volume.clock = until or right + HOUR
    return pair


def test_compare_when_the_clock_ran_ahead_at_the_copy_then_an_earlier_version_is_stop() -> None:
    """Its date is beyond the check on the old drive: that makes it no later use."""
    pair = a_year_ahead()
    assert stops(judged(pair)) == []
    row = pair.copy[REPORT]
    pair.copy[REPORT] = replace(row, modified=NOW - DAY, changed=NOW - DAY, digest="ee" * 32)
    assert REPORT in {path for _, path in stops(judged(pair))}


def test_compare_when_the_clock_ran_ahead_at_the_copy_then_a_lost_document_is_stop() -> None:
    """Though its folder was written again, under the wrong clock still."""
    pair = a_year_ahead(until=NOW + YEAR + DAY)
    pair.volume.write("/Users/orla/Documents/next.docx", 10)
    del pair.copy[REPORT]
    levels = judged(pair).difference_counts[0].levels
    assert levels.get("stop")
    assert REPORT in {path for _, path in stops(judged(pair))}


def test_compare_when_the_clock_is_right_again_then_the_newest_wrong_date_hides_nothing() -> None:
    """Programs wrote on under it after the copy, until it was set right."""
    pair = a_year_ahead(until=NOW + YEAR + HOUR)
    for number in range(5):
        pair.volume.write(f"/Windows/Logs/CBS/{number}.log", 80)
    pair.volume.clock = NOW + 2 * DAY
    pair.volume.write("/Windows/Logs/CBS/9.log", 80)
    assert stops(judged(pair)) == []
    row = pair.copy[REPORT]
    pair.copy[REPORT] = replace(row, modified=NOW - DAY, changed=NOW - DAY, digest="ee" * 32)
    folder = REPORT.rpartition("/")[0]
    for rows in (pair.copy, pair.volume.rows):
        rows[OTHER].changed = rows[folder].changed = NOW + YEAR - HOUR
    assert REPORT in {path for _, path in stops(judged(pair))}


def test_compare_when_the_clock_was_set_back_after_the_copy_then_changes_are_review() -> None:
    """The copy holds a later time of change than the old drive: it was written there since."""
    pair = Running("windows", 42, innocent=60)
    path = pair.untouched(["/Users/orla/Documents/x"])[0]
    pair.volume.clock = NOW - 900 * DAY
    pair.volume.write(path, 900)
    comparison = judged(pair)
    assert stops(comparison) == []
    assert ("review", path) in {(item.level.value, item.path) for item in comparison.findings}
    # The quiet twin: the clone has the earlier version, and no clock is wrong.
    pair.volume.rows[path], pair.copy[path] = pair.copy[path], pair.volume.rows[path]
    assert path in {named for _, named in stops(judged(pair))}


@pytest.mark.parametrize("behind", [10, 9_000])
@pytest.mark.parametrize("seed", [0, 1, 3])
def test_compare_when_the_clock_of_the_check_is_behind_then_the_moment_is_told(
    seed: int, behind: int
) -> None:
    """By days, or by years as with an empty battery: nearly all dates are beyond it."""
    pair = a_pair(seed)
    right = judged(pair)
    old, new = (replace(side, ended=NOW // SECOND - behind * 86_400) for side in pair.sides())
    comparison = compare(old.manifest("old"), new.manifest("new"), FILE_RULES)
    assert stops(comparison) == []
    assert comparison.moments[0].copied == right.moments[0].copied
    LOSSES[seed](pair, path := pair.dice.choice(pair.untouched(NAMES[pair.kind][1])))
    old, new = (replace(side, ended=NOW // SECOND - behind * 86_400) for side in pair.sides())
    found = stops(compare(old.manifest("old"), new.manifest("new"), FILE_RULES))
    assert [named for rule, named in found if rule != "file-count"] == [path]


def test_compare_when_no_date_is_within_the_clock_of_the_check_then_it_is_said() -> None:
    """Nothing tells whether the clock of the check is behind or that of the system was ahead."""
    pair = Running("data", 44, innocent=60)
    pair.copy = {path: replace(row) for path, row in pair.volume.rows.items()}
    path = pair.untouched(NAMES["data"][1])[0]
    LOSSES[3](pair, path)
    old, new = (replace(side, ended=NOW // SECOND - 9_000 * 86_400) for side in pair.sides())
    comparison = compare(old.manifest("old"), new.manifest("new"), FILE_RULES)
    assert comparison.moments[0].reason == ALL_LATER
    assert path in {named for _, named in stops(comparison)}


def test_compare_when_one_date_is_beyond_both_checks_then_it_is_no_later_use() -> None:
    """Its earlier version on the new drive has a right date, and nothing else a wrong one."""
    pair = Running("windows", 47, innocent=60)
    path = pair.untouched(NAMES["windows"][1])[0]
    LOSSES[3](pair, path)
    row = pair.volume.rows[path]
    row.modified = row.changed = NOW + YEAR
    assert path in {named for _, named in stops(judged(pair))}


@pytest.mark.parametrize("kind", ["windows", "linux", "data"])
def test_compare_when_single_files_have_wrong_dates_then_a_loss_among_them_is_stop(
    kind: str,
) -> None:
    """Whichever of them it is, the newest too; the system wrote on with the right clock."""
    for loss in LOSSES:
        pair = Running(kind, 45, innocent=60)
        paths = pair.untouched(NAMES[kind][1])[:3]
        for number, path in enumerate(paths):
            for rows in (pair.volume.rows, pair.copy):
                row = rows[path]
                row.modified = row.changed = NOW + YEAR + number * HOUR
        assert stops(judged(pair)) == []
        for path in paths:
            kept = replace(pair.copy[path])
            loss(pair, path)
            assert path in {named for _, named in stops(judged(pair))}, loss
            pair.copy[path] = kept


def test_moment_when_the_journal_is_further_on_and_earlier_then_the_clock_was_set_back() -> None:
    """Its positions only grow (Microsoft Learn, "USN_JOURNAL_DATA": NextUsn)."""
    pair = Running("windows", 46, innocent=60)
    late, early = NOW + 4 * DAY, NOW - 900 * DAY
    old = {"change_journal": ChangeJournal(id="AA", position=9_000, written=early)}
    new = {"change_journal": ChangeJournal(id="AA", position=8_000, written=late)}
    comparison = kept_judged(pair, old, new)
    assert comparison.moments[0].target_used_from is None
    (said,) = [item for item in comparison.outcomes if item.rule == "source-used-since"]
    assert "clock was set back" in str(said.reason)
    swapped = kept_judged(pair, {**new}, {**old})
    assert not any("clock was set back" in str(item.reason) for item in swapped.outcomes)
    old["change_journal"] = replace(old["change_journal"], position=7_000)
    assert kept_judged(pair, old, new).moments[0].target_used_from == late
