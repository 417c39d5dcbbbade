"""The terminal view of a fit: the answer, both layouts drawn, the table, the arithmetic."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.report.comparison_report import both_sizes
from verify.report.terminal import badge, headline, plain, section, sentence
from verify.report.words import ABSENT
from verify.units import binary_size, decimal_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from verify.fit.fit_document import FitDocument, FitLine, FitPartition, FitPrediction

_RESIZED = frozenset({"shrunk", "grown", "made_anew"})
_EDGE, _UNUSED = "|", "."
_WIDEST_DRAWING = 100

Span = tuple[int, int, str]
"""A start and an end in bytes, and what is written there."""


def print_fit(console: Console, fit: FitDocument) -> None:
    """Print a whole fit."""
    fits = badge("FITS", "sound") if fit.fits else badge("DOES NOT FIT", "stop")
    console.print(headline(fits, _answer(fit)))
    _print_layout(console, fit)
    section(console, "ARITHMETIC")
    console.print(_arithmetic(fit.arithmetic))
    _print_holders(console, fit)
    if fit.what_if:
        section(console, "OTHER SIZES")
        console.print(_choices(fit))
    section(console, "WHAT IT WILL BREAK", "" if fit.predictions else "nothing that can be seen")
    for prediction in fit.predictions:
        _print_prediction(console, prediction)


def _print_layout(console: Console, fit: FitDocument) -> None:
    """Print where all goes; without room for it no picture, and no layout that looks like one."""
    sectors = f"new sectors of {fit.target.sector_bytes:,} bytes"
    if fit.fits:
        section(console, "PICTURE", "widths by size; every partition is at least one mark wide")
        for line in picture(fit, min(console.width, _WIDEST_DRAWING)):
            console.print(Text(line, no_wrap=True, overflow="crop"))
        section(console, "LAYOUT", sectors)
    elif fit.partitions:
        section(console, "LAYOUT TO AIM FOR", sectors)
        first = (
            f"Not possible yet: first {decimal_size(fit.must_move_bytes)} have to leave"
            f" partition {fit.gives_way}."
        )
        console.print(sentence(first, "bold"))
    else:
        return
    console.print(_layout(fit))


def _answer(fit: FitDocument) -> str:
    if fit.refusal:
        return fit.refusal
    for row in fit.partitions:
        new = both_sizes(row.sectors * fit.target.sector_bytes)
        if row.number == fit.gives_way and row.change == "made_anew":
            return (
                f"Partition {row.number} cannot be resized: make a new one of {new} and copy its"
                " files."
            )
        if row.number == fit.gives_way and row.change in _RESIZED:
            return f"Partition {row.number} is {row.change} to {new}."
    return "Every partition keeps its size."


def picture(fit: FitDocument, width: int) -> list[str]:
    """Draw the old and the new drive, one above the other on one scale, in plain characters."""
    old_sector = fit.source.sector_bytes if fit.source else fit.target.sector_bytes
    old_size = fit.source.size_bytes if fit.source else 0
    inner = [row for row in fit.partitions if not _holds_others(row, fit.partitions)]
    old = [(row.was_start_lba, row.was_sectors, row.number) for row in inner]
    new = [(row.start_lba, row.sectors, row.number) for row in inner]
    longest = max(old_size, fit.target.size_bytes, 1)
    lines = []
    for word, size, sector, rows in (
        ("old", old_size, old_sector, old),
        ("new", fit.target.size_bytes, fit.target.sector_bytes, new),
    ):
        spans = [
            (start * sector, (start + count) * sector, str(number))
            for start, count, number in sorted(rows)
        ]
        columns = max(round((width - 5) * size / longest), 3)
        lines.append(f"{word}  {_bar(spans, size, columns)}")
    return lines


def _holds_others(row: FitPartition, rows: Sequence[FitPartition]) -> bool:
    return any(
        other is not row
        and row.start_lba <= other.start_lba
        and other.start_lba + other.sectors <= row.start_lba + row.sectors
        for other in rows
    )


def _bar(spans: Sequence[Span], size: int, columns: int) -> str:
    """Draw one drive: edges, numbers in their partitions, points where nothing is."""
    marks: list[str] = []
    inner = columns - 1
    for start, end, word in spans:
        first = round(inner * start / size) if size else 0
        last = round(inner * end / size) if size else 0
        at = max(first, len(marks))
        if at < inner and size:
            marks += [_UNUSED] * (at - len(marks))
        wide = max(last - at, len(word) + 1)
        marks += [_EDGE, *word.center(wide - 1)]
    marks += [_EDGE] if spans else []
    marks += [_UNUSED] * (columns - len(marks))
    return "".join(marks)


def _layout(fit: FitDocument) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for title, right in (
        ("no", True),
        ("what it is", False),
        ("", False),
        ("start LBA", True),
        ("end LBA", True),
        ("size", True),
        ("change", False),
    ):
        words = title == "what it is"
        table.add_column(title, justify="right" if right else "left", no_wrap=not words)
    if not fit.partitions:
        table.add_row(ABSENT, "no partitions", *[ABSENT] * 5)
    old = fit.source.sector_bytes if fit.source else fit.target.sector_bytes
    for row in fit.partitions:
        places = (
            ("old", row.was_start_lba, row.was_sectors, old, ""),
            ("new", row.start_lba, row.sectors, fit.target.sector_bytes, row.change),
        )
        for word, start, sectors, sector, change in places:
            first = word == "old"
            table.add_row(
                str(row.number) if first else "",
                plain(row.what) if first else "",
                word,
                f"{start:,}",
                f"{start + sectors - 1:,}",
                binary_size(sectors * sector),
                Text(change.replace("_", " "), style="bold" if change in _RESIZED else ""),
            )
    return table


def _arithmetic(lines: Sequence[FitLine]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(overflow="fold")
    table.add_column(justify="right", no_wrap=True)
    for line in lines:
        number = "" if line.bytes is None else f"{line.bytes:,} B"
        table.add_row(sentence(line.text), number)
    return table


def _print_holders(console: Console, fit: FitDocument) -> None:
    for kind, title in (("folder", "LARGEST FOLDERS"), ("kind", "LARGEST KINDS OF FILES")):
        rows = [row for row in fit.holders if row.kind == kind]
        if not rows:
            continue
        section(console, title, f"of partition {fit.gives_way}, which has to give room")
        table = Table.grid(padding=(0, 2))
        table.add_column(justify="right", no_wrap=True)
        table.add_column(justify="right", no_wrap=True)
        table.add_column(overflow="fold")
        for row in rows:
            table.add_row(decimal_size(row.bytes), f"{row.files:,} files", plain(row.name))
        console.print(Padding(table, (0, 0, 0, 2)))


def _choices(fit: FitDocument) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for title, right in (
        ("size", False),
        ("sectors", True),
        ("as shown", True),
        ("fits", False),
        (f"partition {fit.gives_way}", True),
        ("must move", True),
    ):
        table.add_column(title, justify="right" if right else "left", no_wrap=True)
    for row in fit.what_if:
        got = ABSENT if row.partition_bytes is None else binary_size(row.partition_bytes)
        table.add_row(
            plain(row.size),
            f"{row.target.size_bytes // row.target.sector_bytes:,}",
            binary_size(row.target.size_bytes),
            "yes" if row.fits else "no",
            got,
            decimal_size(row.must_move_bytes) if row.must_move_bytes else ABSENT,
        )
    return table


def _print_prediction(console: Console, prediction: FitPrediction) -> None:
    console.print(
        Text(f"{prediction.level.value}: ", style="bold") + Text(prediction.rule, style="bold")
    )
    for line in (
        sentence(prediction.message),
        Text("do: ", style="bold") + sentence(prediction.advice),
    ):
        console.print(Padding(line, (0, 0, 0, 4)))
