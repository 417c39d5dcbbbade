"""The terminal view of a fit: the answer, both layouts drawn, the table, the arithmetic."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from verify.report.comparison_report import both_sizes
from verify.report.terminal import badge, headline, plain, section, sentence
from verify.report.words import ABSENT, LEVELS
from verify.text.language import _, translated
from verify.text.message import Message, counted, say
from verify.text.words import NEW, OLD
from verify.units import binary_size, decimal_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from verify.fit.fit_document import FitDocument, FitLine, FitPartition, FitPrediction

_RESIZED = frozenset({"shrunk", "grown", "made_anew"})
_FITS = say("FITS"), "sound"
_DOES_NOT_FIT = say("DOES NOT FIT"), "stop"
_CHANGES = {
    "same": say("same"),
    "moved": say("moved"),
    "shrunk": say("shrunk"),
    "grown": say("grown"),
    "made_anew": say("made anew"),
}
_EDGE, _UNUSED = "|", "."
_WIDEST_DRAWING = 100
_CONTENTS = say("contents")

Span = tuple[int, int, str]
"""A start and an end in bytes, and what is written there."""


def print_fit(console: Console, fit: FitDocument) -> None:
    """Print a whole fit."""
    fits = badge(*(_FITS if fit.fits else _DOES_NOT_FIT))
    console.print(headline(fits, _answer(fit)))
    _print_layout(console, fit)
    section(console, say("ARITHMETIC"))
    console.print(_arithmetic(fit.arithmetic))
    _print_holders(console, fit)
    if fit.what_if:
        section(console, say("OTHER SIZES"))
        console.print(_choices(fit))
    section(
        console, say("WHAT THE CHANGE WILL BREAK"), "" if fit.predictions else say("nothing found")
    )
    for prediction in fit.predictions:
        _print_prediction(console, prediction)


def _print_layout(console: Console, fit: FitDocument) -> None:
    """Print where all goes; without room for it no picture, and no layout that looks like one."""
    sectors = say("in sectors of {size:,} bytes on the new drive", size=fit.target.sector_bytes)
    if fit.fits:
        section(console, say("PICTURE"), say("drawn to scale, small partitions wider"))
        for line in picture(fit, min(console.width, _WIDEST_DRAWING)):
            console.print(Text(line, no_wrap=True, overflow="crop"))
        section(console, say("LAYOUT"), sectors)
    elif fit.partitions:
        section(console, say("LAYOUT TO AIM FOR"), sectors)
        first = say(
            "Not possible yet: first move {size} of files off partition {number}.",
            size=decimal_size(fit.must_move_bytes),
            number=fit.gives_way or 0,
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
            return say(
                "Partition {number} cannot be resized: create a new one of {size} and copy its"
                " files.",
                number=row.number,
                size=new,
            )
        if row.number == fit.gives_way and row.change in _RESIZED:
            if row.change == "shrunk":
                return say("Partition {number} shrinks to {size}.", number=row.number, size=new)
            return say("Partition {number} grows to {size}.", number=row.number, size=new)
    return say("Every partition keeps its size.")


def picture(fit: FitDocument, width: int) -> list[str]:
    """Draw the old and the new drive, one above the other on one scale, in plain characters."""
    old_sector = fit.source.sector_bytes if fit.source else fit.target.sector_bytes
    old_size = fit.source.size_bytes if fit.source else 0
    inner = [row for row in fit.partitions if not _holds_others(row, fit.partitions)]
    old = [(row.was_start_lba, row.was_sectors, row.number) for row in inner]
    new = [(row.start_lba, row.sectors, row.number) for row in inner]
    longest = max(old_size, fit.target.size_bytes, 1)
    lines = []
    words = translated(OLD), translated(NEW)
    for word, size, sector, rows in (
        (words[0], old_size, old_sector, old),
        (words[1], fit.target.size_bytes, fit.target.sector_bytes, new),
    ):
        spans = [
            (start * sector, (start + count) * sector, str(number))
            for start, count, number in sorted(rows)
        ]
        columns = max(round((width - 5) * size / longest), 3)
        lines.append(f"{word:{max(map(len, words))}}  {_bar(spans, size, columns)}")
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
        (say("no."), True),
        (_CONTENTS, False),
        ("", False),
        (say("start LBA"), True),
        (say("end LBA"), True),
        (say("size"), True),
        (say("change"), False),
    ):
        table.add_column(
            translated(title),
            justify="right" if right else "left",
            no_wrap=title != _CONTENTS,
        )
    if not fit.partitions:
        table.add_row(ABSENT, _("no partitions"), *[ABSENT] * 5)
    old = fit.source.sector_bytes if fit.source else fit.target.sector_bytes
    for row in fit.partitions:
        places = (
            (OLD, row.was_start_lba, row.was_sectors, old, ""),
            (NEW, row.start_lba, row.sectors, fit.target.sector_bytes, row.change),
        )
        for word, start, sectors, sector, change in places:
            first = word == OLD
            table.add_row(
                str(row.number) if first else "",
                plain(row.what) if first else "",
                plain(word),
                plain(_number(start)),
                plain(_number(start + sectors - 1)),
                plain(binary_size(sectors * sector)),
                plain(_CHANGES.get(change, ""), "bold" if change in _RESIZED else ""),
            )
    return table


def _arithmetic(lines: Sequence[FitLine]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(overflow="fold")
    table.add_column(justify="right", no_wrap=True)
    for line in lines:
        number = "" if line.bytes is None else say("{count:,} B", count=line.bytes)
        table.add_row(sentence(line.text), plain(number))
    return table


def _print_holders(console: Console, fit: FitDocument) -> None:
    for kind, title in (
        ("folder", say("LARGEST FOLDERS")),
        ("kind", say("LARGEST KINDS OF FILES")),
    ):
        rows = [row for row in fit.holders if row.kind == kind]
        if not rows:
            continue
        section(
            console,
            title,
            say("on partition {number}, which is too full", number=fit.gives_way or 0),
        )
        table = Table.grid(padding=(0, 2))
        table.add_column(justify="right", no_wrap=True)
        table.add_column(justify="right", no_wrap=True)
        table.add_column(overflow="fold")
        for row in rows:
            files = counted("{count:,} file", "{count:,} files", row.files)
            table.add_row(plain(decimal_size(row.bytes)), plain(files), plain(row.name))
        console.print(Padding(table, (0, 0, 0, 2)))


def _choices(fit: FitDocument) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for title, right in (
        (say("size"), False),
        (say("sectors"), True),
        (say("as shown"), True),
        (say("fits"), False),
        (say("partition {number}", number=fit.gives_way or 0), True),
        (say("move off first"), True),
    ):
        table.add_column(translated(title), justify="right" if right else "left", no_wrap=True)
    for row in fit.what_if:
        got = ABSENT if row.partition_bytes is None else binary_size(row.partition_bytes)
        table.add_row(
            plain(row.size),
            plain(_number(row.target.size_bytes // row.target.sector_bytes)),
            plain(binary_size(row.target.size_bytes)),
            plain(say("yes") if row.fits else say("no")),
            plain(got),
            plain(decimal_size(row.must_move_bytes) if row.must_move_bytes else ABSENT),
        )
    return table


def _print_prediction(console: Console, prediction: FitPrediction) -> None:
    console.print(
        plain(LEVELS[prediction.level.value], "bold") + Text(f": {prediction.rule}", style="bold")
    )
    for line in (
        sentence(prediction.message),
        Text(_("do: "), style="bold") + sentence(prediction.advice),
    ):
        console.print(Padding(line, (0, 0, 0, 4)))


def _number(count: int) -> Message:
    return say("{count:,}", count=count)
