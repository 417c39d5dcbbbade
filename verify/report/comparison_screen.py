"""The terminal view of a comparison: the verdict first, then what it rests on.

Words and marks carry every meaning; weight of type only helps the eye.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.text import Text

from verify.report.pair_tables import print_partitions, print_sides
from verify.report.terminal import badge, headline, plain, print_answer, section, sentence, whole
from verify.report.words import ABSENT, ALL_NAMES, HEADINGS, MARKS
from verify.rules.rule import Level
from verify.text.language import _, translated
from verify.text.message import say

if TYPE_CHECKING:
    from rich.console import Console

    from verify.report.comparison_report import (
        FindingGroup,
        FindingItem,
        FindingPlace,
        Report,
        WorkToCopy,
    )
    from verify.report.evidence import Gap

_MOST_ITEMS = 40
"""Findings or gaps shown of one sort; the document that `--json` prints has them all."""

_MOST_PLACES = 8
"""Places shown of one finding."""

_SHORT_VALUES = 50


def print_report(console: Console, report: Report, *, brief: bool = False) -> None:
    """Print the whole report; `brief`: the verdict, the findings and what to do alone."""
    verdict = badge(HEADINGS[report.verdict], report.verdict)
    console.print(headline(verdict, report.sentence))
    if not brief:
        section(console, say("DRIVES"))
        print_sides(console, report.sides)
        section(console, say("PARTITIONS"), say("in their order on the old drive"))
        print_partitions(console, report.partitions)
    for group in report.groups:
        _print_group(console, group, heading=brief and group.level is Level.NOTE)
    if report.to_copy:
        _print_to_copy(console, report.to_copy)
    section(console, say("WHAT WAS READ"))
    _print_lines(console, report.evidence)
    if not brief:
        section(console, say("NOT EXAMINED"), "" if report.gaps else say("none"))
        _print_gaps(console, report.gaps)
    section(console, say("NEXT STEPS"))
    _print_lines(console, report.next_steps)
    if not brief:
        section(console, say("CAUTION"))
        _print_lines(console, report.cautions)
    print_answer(console, report.answer, verdict)


def _print_to_copy(console: Console, files: tuple[WorkToCopy, ...]) -> None:
    """List what the new drive lacks, each path whole, since a person has to find it by that."""
    title = say("TO COPY ({count})", count=len(files))
    section(console, title, say("changed or created on the old drive after the clone"))
    place = ""
    for file in files[:_MOST_ITEMS]:
        if file.place != place:
            place = file.place
            console.print(Padding(plain(place), (0, 0, 0, 2)))
        details = plain(f"  ({translated(file.size)}, {translated(file.written)})", "dim")
        console.print(Padding(whole(file.path) + details, (0, 0, 0, 4)))
    if len(files) > _MOST_ITEMS:
        more = say("and {count:,} more, which --differences lists", count=len(files) - _MOST_ITEMS)
        console.print(Padding(Text(translated(more), style="italic"), (0, 0, 0, 4)))


def _print_group(console: Console, group: FindingGroup, *, heading: bool = False) -> None:
    """Print the findings of a level; `heading`: only how many there are."""
    level, count = HEADINGS[group.level], len(group.items)
    title = say("{level} ({count})", level=level, count=count)
    if group.places > count:
        title = say(
            "{level} ({count}, in {places} places)", level=level, count=count, places=group.places
        )
    if heading:
        section(console, title, say("good to know; not shown here"))
        return
    section(console, title, group.title)
    for item in group.items[:_MOST_ITEMS]:
        _print_finding(console, MARKS[group.level.value], item)
    _print_rest(console, len(group.items))


def _print_finding(console: Console, mark: str, item: FindingItem) -> None:
    first, several = item.places[0], len(item.places) > 1
    where = plain(say("{count} places", count=len(item.places))) if several else whole(first.where)
    console.print(plain(f"{mark} {item.rule}", "bold") + Text(": ") + where)
    said = ""
    for place in item.places[:_MOST_PLACES]:
        if place.message != said:
            said = place.message
            console.print(Padding(sentence(said), (0, 0, 0, 4)))
        values = _values(place)
        if several:
            line = Text("- ") + whole(place.where)
            if len(values) == 1:
                line, values = line + Text("   ") + values[0], []
            console.print(Padding(line, (0, 0, 0, 6)))
        for value in values:
            console.print(Padding(value, (0, 0, 0, 8 if several else 4)))
        for path in place.examples:
            console.print(Padding(whole(path), (0, 0, 0, 8 if several else 6)))
    if any(place.examples for place in item.places):
        console.print(Padding(plain(ALL_NAMES, "italic"), (0, 0, 0, 6)))
    _print_rest(console, len(item.places), _MOST_PLACES, indent=6)
    advice = Text(_("do: "), style="bold") + sentence(item.advice)
    console.print(Padding(advice, (0, 0, 0, 4)))


def _values(item: FindingPlace) -> list[Text]:
    """Return both values, in one line where they are short, one below the other where not."""
    if item.old is None and item.new is None:
        return []
    old, new = (ABSENT if value is None else value for value in (item.old, item.new))
    if len(old) + len(new) <= _SHORT_VALUES:
        return [plain(say("old: {old}   new: {new}", old=old, new=new))]
    return [plain(say("old: {old}", old=old)), plain(say("new: {new}", new=new))]


def _print_gaps(console: Console, gaps: tuple[Gap, ...]) -> None:
    for gap in gaps[:_MOST_ITEMS]:
        needed = Text(_(" (required for sound)"), style="bold") if gap.needed else Text()
        line = plain(gap.what) + needed + Text(": ") + sentence(gap.reason)
        console.print(Padding(line, (0, 0, 0, 2)))
    _print_rest(console, len(gaps))


def _print_rest(console: Console, count: int, most: int = _MOST_ITEMS, indent: int = 2) -> None:
    if count > most:
        more = say("and {count:,} more: --json prints them all", count=count - most)
        console.print(Padding(Text(translated(more), style="italic"), (0, 0, 0, indent)))


def _print_lines(console: Console, lines: tuple[str, ...]) -> None:
    for line in lines:
        console.print(Padding(sentence(line), (0, 0, 0, 2)))
