"""The arithmetic of a fit, line by line, as it is done on paper."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.fit.capacity import sold_as
from verify.fit.fit_document import FitLine, valid
from verify.rules.shared import name_of, size_bytes
from verify.text.message import joined, say
from verify.units import MIB, binary_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.fit.capacity import Capacity
    from verify.fit.least import Least
    from verify.fit.solve import Solution
    from verify.fit.target import Target
    from verify.manifest.header import Header, Partition
    from verify.text.message import Message


def arithmetic(
    header: Header, solution: Solution, target: Target, spare: float, free: float
) -> tuple[FitLine, ...]:
    """Return the lines; each one's number in bytes, so that they can be added up again."""
    lines = [
        _line(
            say(
                "old drive: {capacity}",
                capacity=capacity_words(header.drive.size_bytes, header.table.sector_bytes),
            )
        ),
        _line(
            say("new drive: {capacity}", capacity=capacity_words_of(target.capacity)),
            target.capacity.size_bytes,
        ),
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
    plain = say(
        "{size:,} bytes, {sectors:,} sectors of {sector:,} bytes, {shown}",
        size=size,
        sectors=size // sector,
        sector=sector,
        shown=binary_size(size),
    )
    if gigabytes is None:
        return plain
    return say("sold as {gigabytes:,} GB: {capacity}", gigabytes=gigabytes, capacity=plain)


def _line(text: Message, count: int | None = None) -> FitLine:
    return FitLine(text=text.with_names(valid), bytes=count)


def _ground(solution: Solution, spare: float) -> Iterator[FitLine]:
    field, capacity = solution.ground, solution.capacity
    if spare:
        left = capacity.size_bytes - int(capacity.sectors * (1 - spare)) * capacity.sector_bytes
        yield _line(say("left unpartitioned: {share:g} %", share=100 * spare), -left)
    yield _line(say("end of the space for partitions"), field.end)


def _room(header: Header, solution: Solution, own: Partition) -> Iterator[FitLine]:
    placed = solution.layout.placed
    at = next((index for index, item in enumerate(placed) if item.number == own.number), None)
    if at is None:
        yield _line(
            say(
                "missing before anything is left for {partition}",
                partition=name_of(own, capital=False),
            ),
            solution.layout.room,
        )
        return
    start = placed[at].start
    yield _line(
        say(
            "start of {partition}, aligned to {grain}",
            partition=name_of(own, capital=False),
            grain=_grain(solution),
        ),
        start,
    )
    yield _line(
        say("from there to the end: {size}", size=_gib(solution.ground.end - start)),
        solution.ground.end - start,
    )
    behind = 0
    for item in placed[at + 1 :]:
        partition = next(one for one in header.partitions if one.number == item.number)
        behind += item.size
        yield _line(
            say(
                "less {partition}, which follows: {size}",
                partition=name_of(partition, capital=False),
                size=_gib(item.size),
            ),
            -item.size,
        )
    rest = solution.ground.end - start - behind - solution.layout.room
    if rest:
        yield _line(say("less what is lost by aligning the starts"), -rest)
    room = solution.layout.room
    yield _line(
        say("room for {partition}: {size}", partition=name_of(own, capital=False), size=_gib(room)),
        room,
    )
    yield _line(
        say("its size so far: {size}", size=_gib(size_bytes(header, own))), size_bytes(header, own)
    )
    size = placed[at].size
    yield _line(
        say(
            "its new size: {size} ({mebibytes:,} MiB)", size=_gib(size), mebibytes=_mebibytes(size)
        ),
        size,
    )


def _least(own: Partition, least: Least | None, free: float) -> Iterator[FitLine]:
    if least is None or least.bytes is None:
        why = least.why if least else say("keeps its size")
        yield _line(say("{partition} {why}", partition=name_of(own), why=why))
        return
    yield _line(say("in use, by its own count of clusters"), least.used)
    yield _line(joined((least.margin_words,)), least.margin)
    if least.why:
        yield _line(say("least size of its format: {why}", why=least.why), least.floor)
    yield _line(say("least size: {size}", size=_gib(least.bytes)), least.bytes)
    if free:
        yield _line(
            say("with {share:g} % of it free: {size}", share=100 * free, size=_gib(least.wanted)),
            least.wanted,
        )


def _grain(solution: Solution) -> str:
    return binary_size(solution.ground.grain)


def _gib(count: int) -> str:
    """Say a size as it is said on paper: GiB to three places, MiB where it is small."""
    if abs(count) < 1 << 30:
        return binary_size(count)
    return say("{gibibytes:,.3f} GiB", gibibytes=count / (1 << 30))


def _mebibytes(count: int) -> int | float:
    """Return MiB: whole ones where they are, as the starts of partitions are."""
    return count // MIB if count % MIB == 0 else count / MIB
