"""A list of jobs for people: a line each, soon, however many there are."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size

from verify.archive.index import BETWEEN
from verify.report.words import LEVELS
from verify.text.language import ENGLISH, _, spoken, translated
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


def job_lines(jobs: Sequence[str], width: int | None) -> Iterator[str]:
    """Yield a list of jobs, a line each, as wide as its widest words.

    NOTE: plain text and no table of the library's: that takes minutes for 100,000 of them. Some
    are taken apart at a time, so that no heap of rows is built.

    Args:
        jobs: what `Index.lines` returns, which is harmless.
        width: cells of the terminal, which lines are cut to; `None` for no limit.
    """
    if not jobs:
        yield _("no jobs") + "\n"
        return
    shares = [jobs[at : at + _A_SHARE] for at in range(0, len(jobs), _A_SHARE)]
    titles = list(map(translated, _TITLES))
    widths = list(map(len, titles))
    for share in shares:
        columns = zip(*map(_apart, share), strict=True)
        widths = [
            max(most, *map(len, column)) for most, column in zip(widths, columns, strict=True)
        ]
    said = {word: translated(message) for word, message in LEVELS.items()}
    widths[_VERDICT] = max(widths[_VERDICT], *map(cell_len, said.values()))
    if width is not None:
        widths = _narrowed(widths, width)
    whole = "  ".join(f"%-{cells}s" for cells in widths)
    for text in chain([BETWEEN.join(titles)], jobs):
        row = _apart(text)
        if spoken() != ENGLISH:
            row = (*row[:_VERDICT], said.get(row[_VERDICT], row[_VERDICT]), *row[_VERDICT + 1 :])
        if width is None and text.isascii():
            line = whole % row
        else:
            line = "  ".join(map(_set, row, widths))
            line = line if width is None else _set(line, width)
        yield line.rstrip() + "\n"


def _apart(text: str) -> tuple[str, ...]:
    return tuple(text.split(BETWEEN))


_A_SHARE = 1_000
_TITLES = (
    say("job"),
    say("filed"),
    say("verdict"),
    say("technician"),
    say("customer"),
    say("old drive"),
    say("new drive"),
)
_MOST_CELLS = (12, 10, 10, 8, 8)
"""Cells of the first five columns where not all has room: the two drives share what is left."""

_VERDICT = 2
"""Which column that is."""

_LEAST_CELLS = 4


def _narrowed(widths: list[int], width: int) -> list[int]:
    """Return the widths of columns that fit, both drives' the same."""
    between = 2 * (len(widths) - 1)
    if sum(widths) + between <= width:
        return widths
    people = [min(*pair) for pair in zip(widths[: len(_MOST_CELLS)], _MOST_CELLS, strict=True)]
    left = max(_LEAST_CELLS, (width - between - sum(people)) // 2)
    return [*people, left, left]


def _set(text: str, cells: int) -> str:
    """Return a text in so many cells, cut with a mark where it is longer."""
    short = cells - cell_len(text)
    if short >= 0:
        return text + " " * short
    return set_cell_size(text, cells - 1) + "\N{HORIZONTAL ELLIPSIS}"
