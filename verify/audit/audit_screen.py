"""An audit for people: what is drawn, what was found, what it says of the rest, over time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.report.audit import audit_summary, drive_words
from verify.report.comparison_report import when
from verify.report.terminal import plain, section, sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from verify.audit.spot_audit import Plan

_BAR = 40
_STRATA = ("stratum", "jobs", "letter", "draw")
_FOUND = ("stratum", "jobs", "drawn", "unsound", "at most")


def print_plan(console: Console, plan: Plan) -> None:
    """Print what is drawn, and what it is able to exclude."""
    total = sum(stratum.population for stratum in plan.strata)
    console.print(sentence(f"Draw {len(plan.jobs):,} of {total:,} jobs.", "bold"))
    told = f"seed {plan.seed}; confidence {plan.confidence:.1%}; tolerable {plan.tolerable:.2%}"
    console.print(Padding(sentence(told), (0, 0, 0, 2)))
    section(console, "STRATA")
    rows = [(row.name, f"{row.population:,}", row.letter, f"{row.draw:,}") for row in plan.strata]
    console.print(_table(_STRATA, rows))
    section(console, "JOBS")
    for job in plan.jobs:
        console.print(Padding(plain(job.job), (0, 0, 0, 2)))


def print_audit(console: Console, report: dict[str, Any]) -> None:
    """Print the report of an audit."""
    console.print(sentence(audit_summary(report), "bold"))
    made = f"looked at {when(report['at'])} by version {report['tool_version']};"
    console.print(Padding(sentence(f"{made} seed {report['seed']}"), (0, 0, 0, 2)))
    section(console, "STRATA", f"each bound at {report['confidence']:.1%} confidence, by itself")
    rows = [
        (
            row["stratum"],
            f"{row['population']:,}",
            f"{row['drawn']:,}",
            f"{row['unsound']:,}",
            f"{row['at_most']:,} ({row['share_at_most']:.2%})",
        )
        for row in report["strata"]
    ]
    console.print(_table(_FOUND, rows))
    section(console, "OVER TIME", "jobs drawn a month; # of them unsound")
    most = max((row["drawn"] for row in report["months"]), default=1)
    for row in report["months"]:
        bad = -(-row["unsound"] * _BAR // most)
        bar = "#" * bad + "." * max(0, -(-row["drawn"] * _BAR // most) - bad)
        months = f"{row['month']}  {bar}  {row['unsound']:,} of {row['drawn']:,}"
        console.print(Padding(Text(months), (0, 0, 0, 2)))
    section(console, "DRIVES READ AGAIN", "" if report["drives"] else "none was at hand")
    for row in report["drives"]:
        console.print(
            Padding(
                plain(row["job"], "bold") + Text(": ") + sentence(drive_words(row)), (0, 0, 0, 2)
            )
        )
    section(console, "UNSOUND", "" if report["findings"] else "none was found")
    for row in report["findings"]:
        line = plain(row["job"], "bold") + Text(": ") + sentence(row["why"])
        console.print(Padding(line, (0, 0, 0, 2)))


def _table(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for place, title in enumerate(titles):
        table.add_column(title, justify="right" if place else "left")
    for row in rows:
        table.add_row(*(plain(cell) for cell in row))
    return table
