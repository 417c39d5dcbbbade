"""A manifest and a target into a whole fit: layout, arithmetic, holders, predictions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from verify.fit.arithmetic import arithmetic
from verify.fit.fit_document import (
    FitChoice,
    FitDocument,
    FitPartition,
    FitSource,
    FitTarget,
    valid,
)
from verify.fit.foresee import foresee
from verify.fit.holders import Held, look_into
from verify.fit.least import COPIED_KINDS
from verify.fit.solve import FIRST_LOGICAL, Solution, Wishes, solve
from verify.matching.pairing import on_drive
from verify.rules.shared import name_of, size_bytes, start_bytes
from verify.table.type_names import type_words
from verify.text.message import joined, say
from verify.units import binary_size
from verify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.fit.target import Target
    from verify.manifest.file import Manifest
    from verify.manifest.header import Header, Partition
    from verify.text.message import Message

Change = Literal["same", "moved", "shrunk", "grown", "made_anew"]


def work_out(
    manifest: Manifest, target: Target, wishes: Wishes, what_if: Sequence[Target] = ()
) -> FitDocument:
    """Work out the fit of a drive onto a target, and whether other sizes would do.

    Raises:
        UsageError: a wish names a partition that is not there or must keep its size.
        ManifestAltered: a row of the manifest is damaged.
    """
    header = manifest.header
    solution = solve(header, target.capacity, wishes, target.grain)
    own = solution.flexible
    held = Held()
    if own is not None and own.listing is not None:
        held = look_into(own, manifest.entries(own.number))
    return FitDocument(
        fits=solution.fits,
        source=FitSource(
            path=header.drive.path,
            size_bytes=header.drive.size_bytes,
            sector_bytes=header.table.sector_bytes,
            scheme=header.table.scheme,
            disk_id=header.table.disk_id,
        ),
        target=_target(target),
        partitions=_rows(header, solution) if solution.fits or _helps(solution) else (),
        gives_way=own.number if own else None,
        room_bytes=solution.layout.room if own else None,
        must_move_bytes=solution.must_move,
        refusal=_refusal(solution),
        arithmetic=arithmetic(header, solution, target, wishes.spare, wishes.free),
        holders=() if solution.fits else held.holders,
        what_if=tuple(_choice(header, item, wishes) for item in what_if),
        predictions=foresee(header, solution, target, held),
        version=__version__,
    )


def _target(target: Target) -> FitTarget:
    return FitTarget(
        size_bytes=target.capacity.size_bytes,
        sector_bytes=target.capacity.sector_bytes,
        grain_bytes=target.grain,
        sold_as_gb=target.capacity.sold_as_gb,
        path=target.path,
    )


def _choice(header: Header, target: Target, wishes: Wishes) -> FitChoice:
    solution = solve(header, target.capacity, wishes, target.grain)
    return FitChoice(
        size=target.name,
        target=_target(target),
        fits=solution.fits,
        partition_bytes=solution.size,
        must_move_bytes=solution.must_move,
    )


def _helps(solution: Solution) -> bool:
    """Whether it fits once enough files have left the partition to be resized."""
    least = solution.least
    return least is not None and least.bytes is not None and solution.must_move <= least.used


def _refusal(solution: Solution) -> Message | None:
    """Say what is missing, as a number."""
    own, least = solution.flexible, solution.least
    if solution.fits or own is None:
        return None
    short, room = solution.must_move, max(solution.layout.room, 0)
    missing = say("{count:,} bytes ({size})", count=short, size=binary_size(short))
    if least is None or least.bytes is None:
        told = say(
            "There is no room for {missing}, and no partition can be shrunk. Only"
            " {room} is left for {partition}.",
            missing=missing,
            partition=name_of(own, capital=False),
            room=binary_size(room),
        )
        if least is None or not least.why:
            return told
        why = say("{partition} {why}.", partition=name_of(own), why=least.why)
        return joined((told, why), " ")
    if not _helps(solution):
        return say(
            "There is no room for {missing}. Moving files off {partition} is not"
            " enough: they take up only {used}.",
            missing=missing,
            partition=name_of(own, capital=False),
            used=binary_size(least.used),
        )
    return say(
        "First move {missing} of files off {partition}: there is room for {room}, and it needs"
        " {need}.",
        missing=missing,
        partition=name_of(own, capital=False),
        room=binary_size(room),
        need=binary_size(least.need),
    )


def _rows(header: Header, solution: Solution) -> tuple[FitPartition, ...]:
    by_number = {item.number: item for item in on_drive(header)}
    rows = [
        _row(header, solution, by_number[item.number], item.start, item.size)
        for item in solution.layout.placed
    ]
    logical = [row for row in rows if _is_logical(header, row.number)]
    for box in header.partitions:
        if box.container and logical:
            rows.append(_container(header, solution, box, rows, logical))
    return tuple(sorted(rows, key=lambda row: (row.start_lba, -row.sectors)))


def _row(
    header: Header, solution: Solution, partition: Partition, start: int, size: int
) -> FitPartition:
    sector = solution.capacity.sector_bytes
    least = solution.lasts.get(partition.number)
    was = start_bytes(header, partition), size_bytes(header, partition)
    return FitPartition(
        number=partition.number,
        start_lba=start // sector,
        sectors=size // sector,
        was_start_lba=partition.start_lba,
        was_sectors=partition.sectors,
        least_bytes=least.bytes if least else None,
        what=_words(partition),
        change=_change(partition, was, (start, size), sector),
    )


def _change(
    partition: Partition, was: tuple[int, int], becomes: tuple[int, int], sector: int
) -> Change:
    if partition.filesystem.kind in COPIED_KINDS and abs(becomes[1] - was[1]) >= sector:
        return "made_anew"
    if becomes[1] < was[1]:
        return "shrunk"
    if becomes[1] - was[1] >= sector:
        return "grown"
    return "same" if was[0] == becomes[0] else "moved"


def _is_logical(header: Header, number: int) -> bool:
    return header.table.scheme == "mbr" and number >= FIRST_LOGICAL


def _container(
    header: Header,
    solution: Solution,
    box: Partition,
    rows: Sequence[FitPartition],
    logical: Sequence[FitPartition],
) -> FitPartition:
    """Return the partition that holds the logical ones: as it was, where nothing stands in its way.

    Otherwise from one step in front of the first of them to the end of the last.
    """
    sector = solution.capacity.sector_bytes
    start = min(row.start_lba for row in logical) - solution.ground.grain // sector
    end = max(row.start_lba + row.sectors for row in logical)
    was = start_bytes(header, box) // sector, size_bytes(header, box) // sector
    others = [row for row in rows if row not in logical]
    holds = was[0] < start + solution.ground.grain // sector and end <= was[0] + was[1]
    free = all(
        row.start_lba + row.sectors <= was[0] or row.start_lba >= was[0] + was[1] for row in others
    )
    inside = (was[0] + was[1]) * sector <= solution.ground.end
    if holds and free and inside and all(row.change == "same" for row in logical):
        start, end = was[0], was[0] + was[1]
    return _row(header, solution, box, start * sector, (end - start) * sector)


def _words(partition: Partition) -> str:
    """Say what a partition is: its type's name, its filesystem, its label."""
    kind, label = partition.filesystem.kind, partition.filesystem.label
    words: list[str] = [
        type_words(partition.type_name) or say("type {number}", number=partition.type)
    ]
    words += [kind] if kind not in {"msr", "extended"} else []
    words += [say('"{label}"', label=label)] if label else []
    return joined(words).with_names(valid)
