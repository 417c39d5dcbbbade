"""Where on the drives it lies: unreadable sectors and differing files along a ruler, in numbers.

Below each drive's ruler stands a lane for each sort of thing, on the ruler's own scale. A box that
would be too narrow to be seen is drawn wider. What is drawn is decided here; `pages/places.svg`
draws it, and the same is reported in words, a row a lane and partition.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.report.picture import Ruler, place
from verify.report.place_lines import SORTS, PlaceLine, place_lines
from verify.text.message import joined, say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.manifest.header import Header, SectorRange
    from verify.report.picture import Picture
    from verify.rules.comparison_document import Comparison

PLACES_TITLE = say("Where it is on the drives")

NARROWEST = 3.0
"""The least width of a box."""

_RULER, _LANE = 52, 36
"""Heights, as the page draws them."""


@dataclass(frozen=True, slots=True)
class Lane:
    """Boxes (x, width) of one sort along a ruler; `pattern` is how they are filled."""

    words: str
    pattern: str
    boxes: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Strip:
    """One drive's ruler and its lanes."""

    word: str
    ruler: Ruler
    lanes: tuple[Lane, ...]


@dataclass(frozen=True, slots=True)
class PlacePicture:
    """Both drives' strips, as far as they have lanes, and the same in words; perhaps nothing."""

    strips: tuple[Strip, ...]
    lines: tuple[PlaceLine, ...]
    width: float

    @property
    def height(self) -> float:
        """The height of all strips: each is its ruler, its name above it, and its lanes."""
        return sum(_RULER + _LANE * len(strip.lanes) for strip in self.strips)

    @property
    def words(self) -> str:
        """All of it in sentences."""
        return joined(
            (
                say(
                    "{drive} drive, {what}, partition {partition}: {amount}, {where}",
                    drive=line.drive,
                    what=line.what,
                    partition=line.partition,
                    amount=line.amount,
                    where=line.where,
                )
                for line in self.lines
            ),
            "; ",
        )


def draw_places(
    comparison: Comparison, sides: tuple[Header, Header], picture: Picture
) -> PlacePicture:
    """Return where unreadable sectors and differing files lie, on the rulers of the picture."""
    strips: list[Strip] = []
    lines: list[PlaceLine] = []
    rulers = picture.old, picture.new
    for side, word, header, ruler in zip(
        ("source", "target"), (say("OLD"), say("NEW")), sides, rulers, strict=True
    ):
        lanes = tuple(_lanes(comparison, side, header, ruler))
        if lanes:
            strips.append(Strip(word, ruler, lanes))
        lines += place_lines(comparison, side, header)
    return PlacePicture(tuple(strips), tuple(lines), picture.width)


def _lanes(comparison: Comparison, side: str, header: Header, ruler: Ruler) -> Iterator[Lane]:
    step = header.drive.sector_bytes
    if header.capture.unreadable:
        boxes = _boxes(header.capture.unreadable, step, ruler)
        yield Lane(say("sectors that could not be read"), "solid", boxes)
    for what, words in SORTS.items():
        rows = [row for row in comparison.places if (row.side, row.what) == (side, what)]
        ranges = [item for row in rows for item in row.ranges]
        if ranges:
            yield Lane(words, what, _boxes(ranges, step, ruler))


def _boxes(
    ranges: Iterable[SectorRange], step: int, ruler: Ruler
) -> tuple[tuple[float, float], ...]:
    """Return the boxes of ranges, those that would touch as one: a few for each unit at most."""
    boxes: list[tuple[float, float]] = []
    for item in sorted(ranges, key=lambda one: one.start_lba):
        first = place(ruler.spans, item.start_lba * step)
        last = place(ruler.spans, (item.start_lba + max(1, item.sectors)) * step - 1)
        if first is None or last is None:
            continue
        end = max(last, first + NARROWEST)
        if boxes and first <= sum(boxes[-1]):
            start = boxes[-1][0]
            boxes[-1] = start, max(sum(boxes[-1]), end) - start
        else:
            boxes.append((first, end - first))
    return tuple(boxes)
