"""One drive onto one capacity: which partition is resized, where all go, whether it fits."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.errors import UsageError
from verify.fit.capacity import Capacity, Ground, ground
from verify.fit.layout import Layout, Piece, lay_out
from verify.fit.least import COPIED_KINDS, Least, least_of
from verify.manifest.header import Partition
from verify.matching.pairing import on_drive
from verify.rules.shared import size_bytes, start_bytes
from verify.text.message import joined, say
from verify.units import align_up

if TYPE_CHECKING:
    from verify.manifest.header import Header

_NOTHING = Layout(placed=(), room=0, fits=True, kept=True)

FIRST_LOGICAL = 5
"""Numbers of logical partitions on an MBR drive begin here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What the technician wants: which one to shrink, which to grow, what share is left over.

    `spare`: share of the drive left unpartitioned; `free`: share of the shrunk volume left free.
    """

    shrink: int | None = None
    grow: int | None = None
    spare: float = 0.0
    free: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """A layout for one capacity; `flexible` is `None` on a drive without partitions."""

    capacity: Capacity
    ground: Ground
    layout: Layout
    flexible: Partition | None = None
    least: Least | None = None
    lasts: dict[int, Least | None] = field(default_factory=dict)
    fits: bool = True
    must_move: int = 0

    @property
    def size(self) -> int | None:
        """The bytes that the flexible one gets, where it gets any."""
        for item in self.layout.placed:
            if self.flexible is not None and item.number == self.flexible.number:
                return item.size
        return None


def solve(header: Header, capacity: Capacity, wishes: Wishes, grain: int) -> Solution:
    """Work out the layout for a capacity.

    Raises:
        UsageError: a wish names a partition that is not there or must keep its size.
    """
    table = header.table
    used = table.primary if table.used == "primary" else table.backup
    field_ = ground(capacity, table.scheme, grain=grain, spare=wishes.spare, header=used)
    partitions = [item for item in on_drive(header) if item.sectors > 0]
    pieces = [_piece(header, item, grain) for item in partitions]
    lasts = {item.number: least_of(header, item, wishes.free) for item in partitions}
    for number in (wishes.shrink, wishes.grow):
        _hold_choice(number, partitions, lasts)
    if not pieces:
        return Solution(capacity=capacity, ground=field_, layout=_NOTHING)
    grower = wishes.grow or wishes.shrink or _largest(partitions, lasts, growing=True)
    larger = wishes.grow is not None or capacity.size_bytes > header.drive.size_bytes
    own = next(item for item in partitions if item.number == grower)
    may_grow = larger and _is_known(lasts[grower]) and (wishes.grow is not None or _resizes(own))
    layout = lay_out(pieces, grower, field_, need=size_bytes(header, own), grow=may_grow)
    if not layout.fits:
        for number in _givers(partitions, lasts, wishes.shrink):
            own = next(item for item in partitions if item.number == number)
            need = _need(header, own, lasts[number])
            layout = lay_out(pieces, number, field_, need=need, grow=False)
            if layout.fits:
                break
    return _solved(header, own, Solution(capacity=capacity, ground=field_, layout=layout), lasts)


def _solved(
    header: Header, own: Partition, plain: Solution, lasts: dict[int, Least | None]
) -> Solution:
    least, layout = lasts[own.number], plain.layout
    return Solution(
        capacity=plain.capacity,
        ground=plain.ground,
        layout=layout,
        flexible=own,
        least=least,
        lasts=lasts,
        fits=layout.fits,
        must_move=0 if layout.fits else _must_move(header, own, least, layout, plain.ground),
    )


def _need(header: Header, own: Partition, least: Least | None) -> int:
    size = size_bytes(header, own)
    return size if least is None or least.bytes is None else min(least.need, size)


def _must_move(
    header: Header, own: Partition, least: Least | None, layout: Layout, field_: Ground
) -> int:
    """Return the bytes that have to leave the flexible one so that it fits its room."""
    whole = layout.room // field_.grain * field_.grain
    missing = align_up(_need(header, own, least), field_.grain) - whole
    if least is None or least.bytes is None or not least.wanted:
        return missing
    # NOTE: what moves off takes its share of wanted free space with it.
    share = least.used / least.wanted
    return max(least.bytes - whole, least.used - int(max(whole, 0) * share), 1)


def _piece(header: Header, partition: Partition, grain: int) -> Piece:
    logical = header.table.scheme == "mbr" and partition.number >= FIRST_LOGICAL
    return Piece(
        number=partition.number,
        start=start_bytes(header, partition),
        size=size_bytes(header, partition),
        lead=grain if logical else 0,
    )


def _givers(
    partitions: list[Partition], lasts: dict[int, Least | None], asked: int | None
) -> tuple[int, ...]:
    """Return which partitions to try to shrink, in this order; the last is named where none does.

    One that a tool can resize comes before a larger one whose files have to be copied.
    """
    if asked is not None:
        return (asked,)
    largest = _largest(partitions, lasts, growing=False)
    resizable = [item for item in partitions if _resizes(item) and _is_known(lasts[item.number])]
    if not resizable:
        return (largest,)
    return _largest(resizable, lasts, growing=False), largest


def _resizes(partition: Partition) -> bool:
    return partition.filesystem.kind not in COPIED_KINDS


def _largest(partitions: list[Partition], lasts: dict[int, Least | None], *, growing: bool) -> int:
    """Return the largest one that can give way; where none can, the largest data partition."""

    def rank(item: Partition) -> tuple[bool, bool, bool, int]:
        least = lasts[item.number]
        known = _is_known(least) and not growing
        return known, least is not None, growing and _resizes(item), item.sectors

    return max(partitions, key=rank).number


def _is_known(least: Least | None) -> bool:
    return least is not None and least.bytes is not None


def _hold_choice(
    number: int | None, partitions: list[Partition], lasts: dict[int, Least | None]
) -> None:
    if number is None:
        return
    if number not in lasts:
        there = joined([str(item.number) for item in partitions] or [say("none")])
        raise UsageError(
            say("There is no partition {number} to resize.", number=number),
            say("Partitions of this drive: {there}.", there=there),
        )
    if lasts[number] is None:
        advice = say("Choose a system or data partition; only these are resized.")
        raise UsageError(say("Partition {number} keeps its size.", number=number), advice)
