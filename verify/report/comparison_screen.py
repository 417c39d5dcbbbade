"""The terminal view of a comparison: the verdict first, then what it rests on.

Words and marks carry every meaning; weight of type only helps the eye.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.report.comparison_report import ABSENT, named_fact
from verify.report.language import say
from verify.report.terminal import plain, section, sentence
from verify.rules.rule import Level

if TYPE_CHECKING:
    from rich.console import Console

    from verify.report.comparison_report import (
        DriveSide,
        FindingGroup,
        FindingItem,
        PartitionLine,
        Report,
    )
    from verify.report.evidence import Gap

_MOST_ITEMS = 40
"""Findings or gaps shown of one sort; the document that `--json` prints has them all."""

_WORDS_NARROWEST = 12

_SHORT_VALUES = 50

_MARKS = {Level.STOP: "X", Level.REVIEW: "?", Level.NOTE: "-"}


def print_report(console: Console, report: Report) -> None:
    """Print the whole report."""
    console.print(Text(f" {say(report.verdict.upper())} ", style="bold reverse"), end=" ")
    console.print(sentence(report.sentence, "bold"))
    section(console, "DRIVES")
    console.print(_sides(report.sides, console.width))
    section(console, "PARTITIONS", "in their order on the old drive")
    console.print(_partitions(report.partitions))
    for group in report.groups:
        _print_group(console, group)
    section(console, "EVIDENCE")
    _print_lines(console, report.evidence)
    section(console, "NOT EXAMINED", "" if report.gaps else "nothing was left out")
    _print_gaps(console, report.gaps)
    section(console, "NEXT")
    _print_lines(console, report.next_steps)
    section(console, "BEWARE")
    _print_lines(console, report.cautions)


def _sides(sides: tuple[DriveSide, DriveSide], width: int) -> Table:
    """Return both drives side by side.

    A word stands before its value, in no column of its own: so a GUID (36 characters) fits twice
    into 80 columns.
    """
    table = Table.grid(padding=(0, 2), collapse_padding=True, pad_edge=False)
    for _ in sides:
        table.add_column(width=(width - 2) // 2, overflow="fold")
    table.add_row(*(Text(say(side.title), style="bold") for side in sides))
    for facts in zip(*(side.facts for side in sides), strict=True):
        table.add_row(
            *(
                Text(f"{say(word)} ", style="dim") + plain(named_fact(word, value))
                for word, value in facts
            )
        )
    return table


def _partitions(lines: tuple[PartitionLine, ...]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for title, right in (
        ("old", True),
        ("what it is", False),
        ("size", True),
        ("new", True),
        ("size", True),
        ("became", False),
        ("finding", False),
    ):
        # NOTE: only the two columns of words may be narrowed; a number torn apart misleads.
        words = title in {"what it is", "became"}
        table.add_column(
            say(title),
            justify="right" if right else "left",
            no_wrap=not words,
            min_width=_WORDS_NARROWEST if words else None,
        )
    for line in lines:
        table.add_row(
            line.old,
            plain(line.what),
            say(line.old_size),
            line.new,
            say(line.new_size),
            plain(line.became),
            Text(say(line.weight), style="bold" if line.weight in {"stop", "review"} else ""),
        )
    return table


def _print_group(console: Console, group: FindingGroup) -> None:
    section(console, f"{group.level.value.upper()} ({len(group.items)})", group.title)
    for item in group.items[:_MOST_ITEMS]:
        _print_finding(console, _MARKS[group.level], item)
    _print_rest(console, len(group.items))


def _print_finding(console: Console, mark: str, item: FindingItem) -> None:
    console.print(plain(f"{mark} {item.rule}", "bold") + Text(": ") + plain(item.where))
    lines = [sentence(item.message)]
    lines += _values(item)
    lines.append(Text(say("do: "), style="bold") + sentence(item.advice))
    for line in lines:
        console.print(Padding(line, (0, 0, 0, 4)))


def _values(item: FindingItem) -> list[Text]:
    """Return both values, in one line where they are short, one below the other where not."""
    if item.old is None and item.new is None:
        return []
    old, new = (ABSENT if value is None else value for value in (item.old, item.new))
    if len(old) + len(new) <= _SHORT_VALUES:
        return [plain(f"old: {old}   new: {new}")]
    return [plain(f"old: {old}"), plain(f"new: {new}")]


def _print_gaps(console: Console, gaps: tuple[Gap, ...]) -> None:
    for gap in gaps[:_MOST_ITEMS]:
        needed = Text(say(" (needed for sound)"), style="bold") if gap.needed else Text()
        line = plain(gap.what) + needed + Text(": ") + sentence(gap.reason)
        console.print(Padding(line, (0, 0, 0, 2)))
    _print_rest(console, len(gaps))


def _print_rest(console: Console, count: int) -> None:
    if count > _MOST_ITEMS:
        more = f"and {count - _MOST_ITEMS:,} more, which --json prints"
        console.print(Padding(Text(say(more), style="italic"), (0, 0, 0, 2)))


def _print_lines(console: Console, lines: tuple[str, ...]) -> None:
    for line in lines:
        console.print(Padding(sentence(line), (0, 0, 0, 2)))
