"""Where on the drives it lies, in words: what, how much of it, and between which places."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.report.comparison_report import partition_bytes
from verify.text.message import joined, say
from verify.text.words import NEW, OLD
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.manifest.header import Header, Partition, SectorRange
    from verify.rules.comparison_document import Comparison

UNREADABLE = say("could not be read")
SORTS = {
    "missing": say("files that are missing on the new drive"),
    "changed": say("files that differ in contents or size"),
}
_OWNERS = {
    "file": say("files"),
    "stream": say("streams of files"),
    "folder": say("folders"),
    "link": say("links"),
    "other": say("other names"),
    "structure": say("the filesystem's own structures"),
    "free": say("free space"),
    "unknown": say("unknown contents"),
}


@dataclass(frozen=True, slots=True)
class PlaceLine:
    """A lane's part in one partition, in words: what, how much of it, where."""

    drive: str
    what: str
    partition: str
    amount: str
    where: str


def place_lines(comparison: Comparison, side: str, header: Header) -> Iterator[PlaceLine]:
    """Yield the lines of one drive (`side`: `source` or `target`): lost sectors, then files."""
    word = OLD if side == "source" else NEW
    yield from _unreadable_lines(word, header)
    yield from _file_lines(comparison, side, word, header)


def _unreadable_lines(word: str, header: Header) -> Iterator[PlaceLine]:
    inside = [item for item in header.partitions if not item.container]
    hit: dict[int | None, list[SectorRange]] = {}
    for item in header.capture.unreadable:
        hit.setdefault(_holder(item, inside, header), []).append(item)
    for number in sorted(hit, key=lambda one: (one is None, one)):
        partition = None if number is None else header.partition(number)
        sectors = sum(item.sectors for item in hit[number])
        size = decimal_size(sectors * header.drive.sector_bytes)
        amount = say(
            "sectors: {sectors:,} ({size}){owners}",
            sectors=sectors,
            size=size,
            owners=_owned_by(header, partition),
        )
        yield _line(word, UNREADABLE, partition, amount, _where(hit[number], header, partition))


def _holder(item: SectorRange, inside: list[Partition], header: Header) -> int | None:
    """Return the number of the partition that a range begins in."""
    byte = item.start_lba * header.drive.sector_bytes
    for partition in inside:
        start = partition.start_lba * header.table.sector_bytes
        if start <= byte < start + partition_bytes(header, partition):
            return partition.number
    return None


def _owned_by(header: Header, partition: Partition | None) -> str:
    """Say what sectors of a partition belong to, counted and without a name."""
    if partition is None:
        return ""
    kinds = Counter(
        owner.what for owner in header.capture.owners if owner.partition == partition.number
    )
    told = [
        words
        if what in {"free", "unknown", "structure"}
        else say("{what} ({count:,})", what=words, count=kinds[what])
        for what, words in _OWNERS.items()
        if kinds[what]
    ]
    return say(", of {told}", told=joined(told)) if told else ""


def _file_lines(
    comparison: Comparison, side: str, word: str, header: Header
) -> Iterator[PlaceLine]:
    for row in comparison.places:
        if row.side != side:
            continue
        partition = header.partition(row.partition)
        unplaced = row.files - row.placed
        amount = say("files: {files:,} ({size})", files=row.files, size=decimal_size(row.bytes))
        if unplaced and row.placed:
            amount = say(
                "{amount}; the place of {unplaced:,} of them is not known",
                amount=amount,
                unplaced=unplaced,
            )
        yield _line(word, SORTS[row.what], partition, amount, _where(row.ranges, header, partition))


def _line(word: str, what: str, partition: Partition | None, amount: str, where: str) -> PlaceLine:
    return PlaceLine(
        word, what, say("none") if partition is None else str(partition.number), amount, where
    )


def _where(ranges: Iterable[SectorRange], header: Header, partition: Partition | None) -> str:
    """Say between which places ranges lie, of their partition or of the drive."""
    told = list(ranges)
    if not told:
        return say("place not known")
    step = header.drive.sector_bytes
    first = min(item.start_lba for item in told) * step
    last = max(item.start_lba + item.sectors for item in told) * step
    size = 0 if partition is None else partition_bytes(header, partition)
    if partition is None or not size:
        places = decimal_size(first), decimal_size(last)
        rest = say("of the drive")
    else:
        start = partition.start_lba * header.table.sector_bytes
        places = (
            say("{share:.1%}", share=(first - start) / size),
            say("{share:.1%}", share=(last - start) / size),
        )
        rest = say("of the partition")
    if places[0] == places[1]:
        return say("at {place} {rest}", place=places[0], rest=rest)
    return say(
        "between {first} and {last} {rest}",
        first=places[0],
        last=places[1],
        rest=rest,
    )
