"""The arithmetic of a fit, line by line, as it is done on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.fit.capacity import sold_as
from verify.fit.fit_document import FitLine
from verify.rules.shared import name_of, size_bytes
from verify.units import MIB, binary_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.fit.capacity import Capacity
    from verify.fit.least import Least
    from verify.fit.solve import Solution
    from verify.fit.target import Target
    from verify.manifest.header import Header, Partition


def arithmetic(
    header: Header, solution: Solution, target: Target, spare: float, free: float
) -> tuple[FitLine, ...]:
    """Return the lines; each one's number in bytes, so that they can be added up again."""
    lines = [
        _line(f"old drive: {capacity_words(header.drive.size_bytes, header.table.sector_bytes)}"),
        _line(f"new drive: {capacity_words_of(target.capacity)}", target.capacity.size_bytes),
        *_ground(solution, spare),
    ]
    if solution.flexible is not None:
        lines += _room(header, solution, solution.flexible)
        lines += _least(solution.flexible, solution.least, free)
    return tuple(lines)


def capacity_words_of(capacity: Capacity) -> str:
    """Say a capacity in every way it is said: as sold, in bytes, in sectors, as systems show it."""
    return capacity_words(capacity.size_bytes, capacity.sector_bytes)


def capacity_words(size: int, sector: int) -> str:
    """Say a number of bytes likewise."""
    gigabytes = sold_as(size)
    sold = f"sold as {gigabytes:,} GB, " if gigabytes is not None else ""
    return f"{sold}{size:,} bytes, {size // sector:,} sectors of {sector:,}, {binary_size(size)}"


def _line(text: str, count: int | None = None) -> FitLine:
    told = text.encode("utf-8", "backslashreplace").decode()
    return FitLine(text=told, bytes=count)


def _ground(solution: Solution, spare: float) -> Iterator[FitLine]:
    field, capacity = solution.ground, solution.capacity
    if spare:
        left = capacity.size_bytes - int(capacity.sectors * (1 - spare)) * capacity.sector_bytes
        yield _line(f"left unpartitioned: {100 * spare:g} % of it", -left)
    yield _line("partitions end before (tables, and what is left free, lie behind)", field.end)


def _room(header: Header, solution: Solution, own: Partition) -> Iterator[FitLine]:
    placed = solution.layout.placed
    at = next((index for index, item in enumerate(placed) if item.number == own.number), None)
    if at is None:
        yield _line(
            f"missing before {name_of(own, capital=False)} gets anything", solution.layout.room
        )
        return
    start = placed[at].start
    yield _line(
        f"{name_of(own)} starts at (those in front of it, on steps of {_grain(solution)})", start
    )
    yield _line(
        f"left from there to the end: {_gib(solution.ground.end - start)}",
        solution.ground.end - start,
    )
    behind = 0
    for item in placed[at + 1 :]:
        partition = next(one for one in header.partitions if one.number == item.number)
        behind += item.size
        yield _line(
            f"less {name_of(partition, capital=False)}, behind it: {_gib(item.size)}", -item.size
        )
    rest = solution.ground.end - start - behind - solution.layout.room
    if rest:
        yield _line("less what starting on whole steps costs", -rest)
    room = solution.layout.room
    yield _line(f"room for {name_of(own, capital=False)}: {_gib(room)}", room)
    yield _line(f"it had: {_gib(size_bytes(header, own))}", size_bytes(header, own))
    size = placed[at].size
    yield _line(f"it is made: {_gib(size)} ({size / MIB:,.10g} MiB)", size)


def _least(own: Partition, least: Least | None, free: float) -> Iterator[FitLine]:
    if least is None or least.bytes is None:
        why = least.why if least else "keeps its size"
        yield _line(f"{name_of(own)} {why}")
        return
    yield _line("in use in it, by its own count of clusters", least.used)
    yield _line(least.margin_words, least.margin)
    if least.why:
        yield _line(f"least its format allows: {least.why}", least.floor)
    yield _line(f"least size: {_gib(least.bytes)}", least.bytes)
    if free:
        yield _line(f"with {100 * free:g} % of it free: {_gib(least.wanted)}", least.wanted)


def _grain(solution: Solution) -> str:
    return binary_size(solution.ground.grain)


def _gib(count: int) -> str:
    """Say a size as it is said on paper: GiB to three places, MiB where it is small."""
    if abs(count) < 1 << 30:
        return binary_size(count)
    return f"{count / (1 << 30):,.3f} GiB"
