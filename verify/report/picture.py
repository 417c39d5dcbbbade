"""Both drives as a picture, in numbers: two rulers, joined by bands that say what became of what.

Lengths are in the picture's own units. Both rulers share one scale. A partition too small to be
seen is drawn wider than to scale, and is marked so; what is left of its ruler is shared by all
others in proportion to their bytes. What is drawn is decided here; `pages/picture.svg` draws it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.report.comparison_report import partition_bytes
from verify.report.harmless import harmless
from verify.report.words import LEVELS
from verify.rules.rule import Level
from verify.text.message import Message, joined, say
from verify.text.words import NEW, OLD
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.manifest.header import Header, Partition
    from verify.rules.comparison_document import Comparison, PairRow

PICTURE_TITLE = say("What became of each partition")

LENGTH = 960.0
"""The longer ruler, where no minimum widens it."""

NARROWEST = 34.0
"""The least width of a partition: a number of two digits and a mark with its count."""

NARROWEST_FREE = 3.0
"""Free space between partitions that would be narrower is left out: it is alignment."""

_CHARACTER = 7.4
"""Width of a character of the picture's text, generously (common practice: 0.57 em at 13)."""

_PADDING = 8.0


@dataclass(frozen=True, slots=True)
class Span:
    """A piece of a ruler: a partition, or free space where `number` is `None`.

    `used`: the share of it that is used, 0 to 1, `None` where that is not known.
    `to_scale` is False where it is drawn wider than its bytes are.
    """

    number: int | None
    start_bytes: int
    bytes: int
    x: float
    width: float
    to_scale: bool
    words: tuple[str, ...] = ()
    used: float | None = None

    @property
    def middle(self) -> float:
        """The middle of it."""
        return self.x + self.width / 2


@dataclass(frozen=True, slots=True)
class Band:
    """What joins a partition of the old drive to what it became; an absent side is `None`."""

    old: Span | None
    new: Span | None
    became: str
    label: str


@dataclass(frozen=True, slots=True)
class Mark:
    """Where findings sit: in a partition, at `x` of the old ruler or the new one, `row`th there."""

    partition: int
    x: float
    on_old: bool
    row: int
    level: Level
    count: int


@dataclass(frozen=True, slots=True)
class Ruler:
    """One drive: its name, its spans in their order, and where sectors could not be read."""

    title: str
    size: str
    spans: tuple[Span, ...]
    unreadable: tuple[float, ...]
    width: float


@dataclass(frozen=True, slots=True)
class Picture:
    """Two rulers, the bands between them, the marks of findings, and all of it in words."""

    old: Ruler
    new: Ruler
    bands: tuple[Band, ...]
    marks: tuple[Mark, ...]
    words: str

    @property
    def width(self) -> float:
        """The width of both."""
        return max(self.old.width, self.new.width)

    @property
    def mark_rows(self) -> tuple[int, int]:
        """How many rows of marks there are above the old ruler, and below the new one."""
        rows = [
            [mark.row + 1 for mark in self.marks if mark.on_old is side] for side in (True, False)
        ]
        return max(rows[0], default=0), max(rows[1], default=0)


def draw(comparison: Comparison, sides: tuple[Header, Header]) -> Picture:
    """Return the picture of a comparison of two drives."""
    largest = max(1, *(_extent(header) for header in sides))
    old, new = (_ruler(header, largest) for header in sides)
    bands = tuple(_bands(comparison.pairs, old, new))
    marks = tuple(_marks(comparison, old, new))
    return Picture(old, new, bands, marks, _words(bands, marks))


def _drawn(header: Header) -> list[Partition]:
    """Return the partitions in their order on the drive, without those that hold others."""
    inside = (item for item in header.partitions if not item.container)
    return sorted(inside, key=lambda item: (item.start_lba, item.number))


def _pieces(header: Header) -> Iterator[tuple[Partition | None, int, int]]:
    """Yield (partition or free space, first byte, bytes) from the start of the drive to its end."""
    cursor = 0
    for item in _drawn(header):
        start, size = item.start_lba * header.table.sector_bytes, partition_bytes(header, item)
        if start > cursor:
            yield None, cursor, start - cursor
        yield item, start, size
        cursor = max(cursor, start + size)
    if header.drive.size_bytes > cursor:
        yield None, cursor, header.drive.size_bytes - cursor


def _extent(header: Header) -> int:
    return sum(size for _, _, size in _pieces(header))


def _ruler(header: Header, largest: int) -> Ruler:
    natural = LENGTH / largest
    pieces = [
        piece for piece in _pieces(header) if piece[0] or piece[2] * natural >= NARROWEST_FREE
    ]
    least = [NARROWEST if piece[0] else NARROWEST_FREE for piece in pieces]
    widths = shared_out([piece[2] for piece in pieces], least, _extent(header) * natural)
    spans: list[Span] = []
    x = 0.0
    for (item, start, size), (width, to_scale) in zip(pieces, widths, strict=True):
        words = _labels(item, size, width) if item else ()
        number = item.number if item else None
        used = _used(item) if item else None
        spans.append(Span(number, start, size, x, width, to_scale, words, used))
        x += width
    return Ruler(
        title=harmless(header.drive.model, 40) if header.drive.model else say("model not reported"),
        size=decimal_size(header.drive.size_bytes),
        spans=tuple(spans),
        unreadable=tuple(_unreadable(header, spans)),
        width=x,
    )


def shared_out(sizes: list[int], least: list[float], length: float) -> list[tuple[float, bool]]:
    """Share a length out in proportion to sizes above 0, none under its least width.

    Returns:
        (width, whether it is in proportion) each. The sum is `length`, or that of the least
        widths where these need more.
    """
    widened: set[int] = set()
    while True:
        left = max(0.0, length - sum(least[index] for index in widened))
        total = sum(size for index, size in enumerate(sizes) if index not in widened)
        scale = left / total if total else 0.0
        narrow = {
            index
            for index, size in enumerate(sizes)
            if index not in widened and size * scale < least[index]
        }
        if not narrow:
            break
        widened |= narrow
    return [
        (least[index], False) if index in widened else (size * scale, True)
        for index, size in enumerate(sizes)
    ]


def place(spans: Iterable[Span], byte: int) -> float | None:
    """Return where a byte of the drive is on its ruler; `None` where nothing is drawn of it."""
    for span in spans:
        if span.start_bytes <= byte < span.start_bytes + span.bytes:
            return span.x + span.width * (byte - span.start_bytes) / span.bytes
    return None


def _unreadable(header: Header, spans: list[Span]) -> list[float]:
    """Return places of unreadable sectors, one for each unit of length at most."""
    found = (
        place(spans, item.start_lba * header.drive.sector_bytes)
        for item in header.capture.unreadable
    )
    return [float(x) for x in sorted({int(x) for x in found if x is not None})]


def _used(partition: Partition) -> float | None:
    filesystem = partition.filesystem
    if filesystem.free_bytes is None or not filesystem.size_bytes:
        return None
    return min(1.0, max(0.0, 1 - filesystem.free_bytes / filesystem.size_bytes))


def _labels(partition: Partition, size: int, width: float) -> tuple[str, ...]:
    """Return the lines that fit into a partition's box: its number, then what there is room for."""
    label = partition.filesystem.label
    wanted = [partition.filesystem.kind, decimal_size(size)]
    if label:
        wanted.insert(1, f'"{harmless(label, 32)}"')
    room = int((width - _PADDING) / _CHARACTER)
    return (str(partition.number), *(text for text in wanted if len(text) <= room))


def _bands(pairs: tuple[PairRow, ...], old: Ruler, new: Ruler) -> Iterator[Band]:
    before = {span.number: span for span in old.spans if span.number is not None}
    after = {span.number: span for span in new.spans if span.number is not None}
    for pair in pairs:
        one = None if pair.source is None else before.get(pair.source)
        other = None if pair.target is None else after.get(pair.target)
        if one or other:
            became = _became(one, other)
            room = min(span.width for span in (one, other) if span) / _CHARACTER
            yield Band(one, other, became, became if len(became) <= room else "")


def _became(old: Span | None, new: Span | None) -> str:
    if new is None:
        return say("missing")
    if old is None:
        return say("added")
    change = new.bytes - old.bytes
    return say("same size") if not change else say("larger") if change > 0 else say("smaller")


def _marks(comparison: Comparison, old: Ruler, new: Ruler) -> Iterator[Mark]:
    """Yield a mark for each level of each partition that has findings."""
    counts: dict[tuple[int, Level], int] = {}
    for row in comparison.findings:
        if row.partition is not None:
            key = row.partition, row.level
            counts[key] = counts.get(key, 0) + 1
    after = {pair.target for pair in comparison.pairs}
    for ruler in (old, new):
        for span in ruler.spans:
            if span.number is None or (span.number in after) is (ruler is old):
                continue
            levels = [level for level in Level if (span.number, level) in counts]
            for row_number, level in enumerate(levels):
                count = counts[span.number, level]
                yield Mark(span.number, span.middle, ruler is old, row_number, level, count)


def _words(bands: tuple[Band, ...], marks: tuple[Mark, ...]) -> str:
    told = [_fate(band) for band in bands]
    told += [
        say(
            "{level} findings in {side} partition {partition}: {count}",
            level=LEVELS[mark.level],
            side=OLD if mark.on_old else NEW,
            partition=mark.partition,
            count=mark.count,
        )
        for mark in marks
    ]
    if not told:
        return say("Neither drive has partitions.")
    return say("{told}.", told=joined(told, "; "))


def _fate(band: Band) -> Message:
    """Say which partition became which, and how."""
    one, other = band.old, band.new
    old = one and say("old partition {number} ({size})", number=one.number or 0, size=_size(one))
    new = other and say(
        "new partition {number} ({size})", number=other.number or 0, size=_size(other)
    )
    if old and new:
        return say("{old} is now {new}: {became}", old=old, new=new, became=band.became)
    return say("{partition}: {became}", partition=old or new or "", became=band.became)


def _size(span: Span) -> str:
    size = decimal_size(span.bytes)
    return (
        size if span.used is None else say("{size}, {used:.0%} free", size=size, used=1 - span.used)
    )
