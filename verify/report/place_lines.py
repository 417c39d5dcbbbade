"""Where on the drives it lies, in words: what, how much of it, and between which places."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.report.comparison_report import partition_bytes
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.manifest.header import Header, Partition, SectorRange
    from verify.rules.comparison_document import Comparison

UNREADABLE = "could not be read"
SORTS = {
    "missing": "files that are missing on the new drive",
    "changed": "files that differ in contents or size",
}
_OWNERS = {
    "file": "files",
    "stream": "streams of files",
    "folder": "folders",
    "link": "links",
    "other": "other names",
    "structure": "the filesystem's own structures",
    "free": "free space",
    "unknown": "what is not known",
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
    word = "old" if side == "source" else "new"
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
        amount = f"sectors: {sectors:,} ({size}){_owned_by(header, partition)}"
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
        words if what in {"free", "unknown", "structure"} else f"{words} ({kinds[what]:,})"
        for what, words in _OWNERS.items()
        if kinds[what]
    ]
    return f", of {', '.join(told)}" if told else ""


def _file_lines(
    comparison: Comparison, side: str, word: str, header: Header
) -> Iterator[PlaceLine]:
    for row in comparison.places:
        if row.side != side:
            continue
        partition = header.partition(row.partition)
        unplaced = row.files - row.placed
        amount = f"files: {row.files:,} ({decimal_size(row.bytes)})"
        if unplaced and row.placed:
            amount += f", {unplaced:,} of them at no known place"
        yield _line(word, SORTS[row.what], partition, amount, _where(row.ranges, header, partition))


def _line(word: str, what: str, partition: Partition | None, amount: str, where: str) -> PlaceLine:
    return PlaceLine(
        word, what, "none" if partition is None else str(partition.number), amount, where
    )


def _where(ranges: Iterable[SectorRange], header: Header, partition: Partition | None) -> str:
    """Say between which places ranges lie, of their partition or of the drive."""
    told = list(ranges)
    if not told:
        return "at no known place"
    step = header.drive.sector_bytes
    first = min(item.start_lba for item in told) * step
    last = max(item.start_lba + item.sectors for item in told) * step
    size = 0 if partition is None else partition_bytes(header, partition)
    if partition is None or not size:
        places = decimal_size(first), decimal_size(last)
        rest = "of the drive"
    else:
        start = partition.start_lba * header.table.sector_bytes
        places = f"{(first - start) / size:.1%}", f"{(last - start) / size:.1%}"
        rest = "of the partition"
    if places[0] == places[1]:
        return f"at {places[0]} {rest}"
    return f"between {places[0]} and {places[1]} {rest}"
