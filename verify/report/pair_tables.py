"""Both drives beside each other, and the table of their partitions, within any width.

A line ends between words. Where the columns would be narrower than their longest word, what they
hold stands one below the other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.cells import cell_len
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.report.terminal import plain
from verify.report.words import LEVELS
from verify.text.language import _, translated
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from rich.console import Console

    from verify.report.comparison_report import DriveSide, PartitionLine

_GAP = 2
_HEADS = (
    say("old"),
    say("contents"),
    say("size"),
    say("new"),
    say("size"),
    say("result"),
    say("finding"),
)
_RIGHT = frozenset({"old", "size", "new"})
_WORDS = (1, 5)
"""The columns of words, which may be narrowed; a number torn apart misleads."""


def print_sides(console: Console, sides: tuple[DriveSide, DriveSide]) -> None:
    """Print both drives, side by side where there is room.

    A word stands before its value, in no column of its own: so a GUID (36 characters) fits twice
    into 80 columns.
    """
    told = [[_fact(word, value) for word, value in side.facts] for side in sides]
    width = (console.width - _GAP) // 2
    titles = [Text(translated(side.title), style="bold") for side in sides]
    if max(_longest_word(fact.plain for facts in told for fact in facts), 0) > width:
        for title, facts in zip(titles, told, strict=True):
            console.print(title)
            for fact in facts:
                console.print(Padding(fact, (0, 0, 0, 2)))
        return
    table = Table.grid(padding=(0, _GAP), collapse_padding=True, pad_edge=False)
    for _side in sides:
        table.add_column(width=width, overflow="fold")
    table.add_row(*titles)
    for both in zip(*told, strict=True):
        table.add_row(*both)
    console.print(table)


def _fact(word: str, value: str) -> Text:
    return Text(f"{translated(word)} ", style="dim") + plain(value)


def print_partitions(console: Console, lines: tuple[PartitionLine, ...]) -> None:
    """Print what became of each partition, as a table where there is room for one."""
    heads = [Text(translated(head)) for head in _HEADS]
    rows = [_cells(line) for line in lines]
    widths = _widths(list(zip(heads, *rows, strict=True)), console.width)
    if widths is None:
        for row in rows:
            _print_stacked(console, row)
        return
    table = Table(box=None, pad_edge=False, padding=(0, _GAP, 0, 0), header_style="dim")
    for head, title, width in zip(_HEADS, heads, widths, strict=True):
        table.add_column(title, justify="right" if head in _RIGHT else "left", width=width)
    for row in rows:
        table.add_row(*row)
    console.print(table)


def _cells(line: PartitionLine) -> list[Text]:
    heavy = "bold" if line.weight in {"stop", "review"} else ""
    return [
        Text(line.old),
        plain(line.what),
        Text(translated(line.old_size)),
        Text(line.new),
        Text(translated(line.new_size)),
        plain(line.became),
        Text(translated(LEVELS[line.weight]), style=heavy),
    ]


def _widths(columns: Sequence[Sequence[Text]], room: int) -> list[int] | None:
    """Return how wide each column is; `None` where words would have to be cut."""
    widths = [max(cell_len(cell.plain) for cell in column) for column in columns]
    least = {at: _longest_word(cell.plain for cell in columns[at]) for at in _WORDS}
    left = room - _GAP * len(columns)
    left -= sum(width for at, width in enumerate(widths) if at not in least)
    left -= sum(least.values())
    if left < 0:
        return None
    missing = sum(widths[at] - narrowest for at, narrowest in least.items())
    for at, narrowest in least.items():
        share = (widths[at] - narrowest) * min(left, missing) // max(missing, 1)
        widths[at] = narrowest + share
    return widths


def _print_stacked(console: Console, row: Sequence[Text]) -> None:
    old, what, old_size, new, new_size, became, weight = row
    console.print(Text.assemble(old, " -> ", new, "  ", what, "  ", weight))
    sizes = Text.assemble(_("old:"), " ", old_size, "   ", _("new:"), " ", new_size)
    console.print(Padding(Text.assemble(sizes, "   ", became), (0, 0, 0, 4)))


def _longest_word(texts: Iterable[str]) -> int:
    return max((cell_len(word) for text in texts for word in text.split()), default=0)
