"""Moments are worked out by the calendar, not by the system's own library."""

from __future__ import annotations

import ast

import pytest

from tests.conftest import REPOSITORY
from verify.archive.index import day_of
from verify.audit.spot_audit import month_of
from verify.report.comparison_report import when
from verify.units import moment_of

DAYS = {
    -11_644_473_600: "1601-01-01",
    -1: "1969-12-31",
    0: "1970-01-01",
    2_147_483_648: "2038-01-19",
    32_536_850_400: "3001-01-19",
    95_617_584_000: "5000-01-01",
    253_402_300_799: "9999-12-31",
    -62_135_596_800: "0001-01-01",
}
"""`date -u -d @N +%F` (GNU coreutils). The first is where NTFS begins to count (Microsoft Learn,
"FILETIME"); the C library of Windows takes none below 0, or after the year 3000 (Microsoft Learn,
"gmtime"; to the second 32,536,850,399, from memory)."""


@pytest.mark.parametrize(("seconds", "day"), DAYS.items())
def test_moment_when_before_1970_or_after_3000_then_it_is_the_calendars(
    seconds: int, day: str
) -> None:
    """As GNU date has it, in the index, the audit and the report."""
    assert moment_of(seconds).date().isoformat() == day
    assert day_of(seconds) == day
    assert month_of(seconds) == day[:7]
    assert when(seconds).startswith(day)


@pytest.mark.parametrize("seconds", [-62_135_596_801, 253_402_300_800, 1 << 62])
def test_moment_when_no_calendar_has_it_then_it_stays_a_number(seconds: int) -> None:
    """One second beyond either end."""
    assert day_of(seconds) == str(seconds)
    assert str(seconds) in when(seconds)


def test_code_when_read_then_no_moment_is_left_to_the_systems_library() -> None:
    """`fromtimestamp` asks it, and refuses on Windows what it makes on Linux."""
    for path in (REPOSITORY / "verify").rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
        assert not names & {"fromtimestamp", "utcfromtimestamp", "mktime", "localtime"}, path
