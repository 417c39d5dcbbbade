"""An audit for people: what is drawn, what was found, what it says of the rest, over time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.report.audit import FAILS, audit_summary, drive_words, stratum_words
from verify.report.comparison_report import when
from verify.report.terminal import plain, section, sentence
from verify.text.language import translated
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from verify.audit.spot_audit import Plan
    from verify.text.message import Message

_BAR = 40
_STRATA = (say("group"), say("jobs"), say("letter"), say("to draw"))
_FOUND = (say("group"), say("jobs"), say("drawn"), say("failing"), say("fail at most"))


def print_plan(console: Console, plan: Plan) -> None:
    """Print what is drawn, and what it is able to exclude."""
    total = sum(stratum.population for stratum in plan.strata)
    console.print(
        sentence(
            say("Draw {count:,} of {total:,} jobs.", count=len(plan.jobs), total=total), "bold"
        )
    )
    told = say(
        "confidence {confidence:.1%}, tolerable share {tolerable:.2%}, seed {seed}",
        confidence=plan.confidence,
        tolerable=plan.tolerable,
        seed=plan.seed,
    )
    console.print(Padding(sentence(told), (0, 0, 0, 2)))
    section(console, say("GROUPS"))
    rows = [
        (stratum_words(row.name), _number(row.population), row.letter, _number(row.draw))
        for row in plan.strata
    ]
    console.print(_table(_STRATA, rows))
    section(console, say("JOBS TO CHECK"))
    for job in plan.jobs:
        console.print(Padding(plain(job.job), (0, 0, 0, 2)))


def print_audit(console: Console, report: dict[str, Any]) -> None:
    """Print the report of an audit."""
    console.print(sentence(audit_summary(report), "bold"))
    console.print(Padding(sentence(FAILS), (0, 0, 0, 2)))
    made = say(
        "checked {moment} by version {version}, seed {seed}",
        moment=when(report["at"]),
        version=report["tool_version"],
        seed=report["seed"],
    )
    console.print(Padding(sentence(made), (0, 0, 0, 2)))
    remark = say("{confidence:.1%} confidence for each group", confidence=report["confidence"])
    section(console, say("GROUPS"), remark)
    rows = [
        (
            stratum_words(row["stratum"]),
            _number(row["population"]),
            _number(row["drawn"]),
            _number(row["unsound"]),
            say("{count:,} ({share:.2%})", count=row["at_most"], share=row["share_at_most"]),
        )
        for row in report["strata"]
    ]
    console.print(_table(_FOUND, rows))
    section(console, say("BY MONTH"), say("one mark a drawn job, # if it failed, scaled to fit"))
    most = max((row["drawn"] for row in report["months"]), default=1)
    for row in report["months"]:
        bad = -(-row["unsound"] * _BAR // most)
        bar = "#" * bad + "." * max(0, -(-row["drawn"] * _BAR // most) - bad)
        failed = say("{failed:,} of {drawn:,}", failed=row["unsound"], drawn=row["drawn"])
        line = Text(f"{row['month']}  {bar}  ") + plain(failed)
        console.print(Padding(line, (0, 0, 0, 2)))
    section(console, say("DRIVES READ AGAIN"), "" if report["drives"] else say("none"))
    for row in report["drives"]:
        console.print(
            Padding(
                plain(row["job"], "bold") + Text(": ") + sentence(drive_words(row)), (0, 0, 0, 2)
            )
        )
    section(console, say("FAILED"), "" if report["findings"] else say("no job"))
    for row in report["findings"]:
        line = plain(row["job"], "bold") + Text(": ") + sentence(row["why"])
        console.print(Padding(line, (0, 0, 0, 2)))


def _table(titles: Sequence[str], rows: Sequence[Sequence[str]]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for place, title in enumerate(titles):
        table.add_column(translated(title), justify="right" if place else "left")
    for row in rows:
        table.add_row(*(plain(cell) for cell in row))
    return table


def _number(count: int) -> Message:
    return say("{count:,}", count=count)
