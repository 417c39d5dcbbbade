"""Programs' working files are recognised by what they are; a name alone excuses no document."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tests.matching.running_pairs import DAY, NOW, Running
from tests.matching.test_moment import judged, stops

if TYPE_CHECKING:
    from verify.rules.comparison_document import Comparison

HOME = "/Users/orla/Documents"
OF_REAL_SIZE = (
    f"{HOME}/~$report.docx",
    f"{HOME}/.~lock.report.odt#",
    f"{HOME}/thumbs.db",
    f"{HOME}/History",
    f"{HOME}/Cookies",
    f"{HOME}/desktop.ini",
    f"{HOME}/gear.part",
    f"{HOME}/bridge.tmp",
    f"{HOME}/measurements.temp",
    f"{HOME}/members.ldb",
    f"{HOME}/door.lock",
    f"{HOME}/site.download",
    f"{HOME}/letter.asd",
    f"{HOME}/AutoRecovery save of letter.docx",
    f"{HOME}/.letter.odt.swp",
    f"{HOME}/accounts.sqlite-wal",
    f"{HOME}/places.sqlite",
    "/Projects/bridge/Web Data",
    "/Projects/Cache/plan.dwg",
    "/Projects/bridge/logs/site.txt",
)
LEFT = {
    # From memory: an office program's owner file has 162 or 165 bytes.
    f"{HOME}/~$report.docx": 162,
    f"{HOME}/.~lock.report.odt#": 90,
    # Microsoft Learn, "Introduction to .laccdb and .ldb files": 64 bytes a user, 255 at most.
    f"{HOME}/members.ldb": 64,
    f"{HOME}/desktop.ini": 402,
    f"{HOME}/door.lock": 0,
    "/Users/orla/AppData/Roaming/Browser/Profile/places.sqlite": 5_000_000,
    "/Users/orla/AppData/Roaming/Browser/Profile/places.sqlite-wal": 500_000,
}


def written_later(sizes: dict[str, int], *, lost: bool) -> Comparison:
    """Judge files that were there for long, and were written after the copy as their folders were.

    `lost`: the copy does not have them.
    """
    pair = Running("windows", 31, innocent=60)
    end, pair.volume.clock = pair.volume.clock, NOW - 30 * DAY
    for path, size in sizes.items():
        pair.volume.write(path, size)
        while path:
            pair.copy[path] = replace(pair.volume.rows[path])
            path = path.rpartition("/")[0]  # noqa: PLW2901 - up to the root
    if lost:
        for path in sizes:
            del pair.copy[path]
    pair.volume.clock = end + DAY
    for path, size in sizes.items():
        pair.volume.write(path, size)
        pair.volume.write(f"{path.rpartition('/')[0]}/made later.txt", 10)
    return judged(pair)


def test_compare_when_a_document_has_a_programs_name_then_its_loss_is_stop() -> None:
    """It is larger than what programs leave under such a name, or lies among documents."""
    sizes = dict.fromkeys(OF_REAL_SIZE, 48_000)
    lost = written_later(sizes, lost=True)
    assert lost.difference_counts[0].levels["stop"] == len(sizes)
    assert stops(lost)
    later = written_later(sizes, lost=False)
    assert stops(later) == []
    assert {row.path for row in later.later if row.work} >= sizes.keys()


def test_compare_when_a_program_left_it_then_it_is_no_work() -> None:
    """The quiet twin: as small as such files are, or in a program's own folder."""
    for lost in (True, False):
        comparison = written_later(LEFT, lost=lost)
        assert stops(comparison) == []
        assert {row.path for row in comparison.later if not row.work} >= LEFT.keys()
