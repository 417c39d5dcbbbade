"""The layout itself: every partition in its order, one of them taking what the others leave.

Pure arithmetic in bytes, as a technician does it on paper: place partitions before the resized one
from the start, those after it from the end; the space between is its room.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.fit.capacity import Ground
from verify.units import align_up

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A partition as it is: its number, start and size in bytes.

    `lead`: bytes kept free in front of it (the record in front of a logical partition).
    """

    number: int
    start: int
    size: int
    lead: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A partition as it will be, in bytes."""

    number: int
    start: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where everything goes, in order, and the room (bytes) of the resized one.

    `room` is what it can have at most; negative where even the others do not fit. `fits`: it is
    enough. `placed` is empty where there is no room for it at all. `kept`: those in front of it
    stay where they are.
    """

    placed: tuple[Placed, ...]
    room: int
    fits: bool
    kept: bool


def lay_out(
    pieces: Sequence[Piece], flexible: int, ground: Ground, *, need: int, grow: bool
) -> Layout:
    """Lay out all pieces (in their order on the drive); `flexible` is the number of one of them.

    `need`: the bytes that one cannot go under. It gets all the room there is up to its old size,
    and beyond it with `grow`. The others keep their sizes, and those in front of it their starts;
    only where `need` asks for it do they close up, and then it gets no more than that: so that a
    larger drive never gives it less.
    """
    at = next(index for index, piece in enumerate(pieces) if piece.number == flexible)
    front, own, behind = pieces[:at], pieces[at], pieces[at + 1 :]
    was = align_up(own.size, ground.sector)
    least = min(align_up(min(need, was), ground.grain), was)
    start, fronts = _from_front((*front, own), ground, keep=True)
    end, tails = _from_end(behind, ground)
    kept = end - start >= least
    if not kept:
        start, fronts = _from_front((*front, own), ground, keep=False)
    room = end - start
    whole = room // ground.grain * ground.grain
    if room < was and whole <= 0:
        return Layout(placed=(), room=room, fits=False, kept=False)
    size = min(was if room >= was else whole, was if kept else least)
    if kept and grow:
        size = max(size, whole)
    if size == was or size < whole:
        tails = _behind(start + size, behind, ground)
    mine = Placed(number=own.number, start=start, size=size)
    return Layout(placed=(*fronts[:-1], mine, *tails), room=room, fits=room >= least, kept=kept)


def _from_front(
    pieces: Sequence[Piece], ground: Ground, *, keep: bool
) -> tuple[int, tuple[Placed, ...]]:
    """Place pieces one behind the other; return the start of the last one, and all of them."""
    at, start, placed = ground.first, ground.first, []
    for piece in pieces:
        start = align_up(at + piece.lead, ground.grain)
        if keep:
            start = max(start, align_up(piece.start, ground.grain))
        size = align_up(piece.size, ground.sector)
        placed.append(Placed(number=piece.number, start=start, size=size))
        at = start + size
    return start, tuple(placed)


def _from_end(pieces: Sequence[Piece], ground: Ground) -> tuple[int, tuple[Placed, ...]]:
    """Place pieces against the end; return where what lies in front of them has to end."""
    end, placed = ground.end, []
    for piece in reversed(pieces):
        size = align_up(piece.size, ground.sector)
        start = (end - size) // ground.grain * ground.grain
        placed.append(Placed(number=piece.number, start=start, size=size))
        end = start - piece.lead
    return end, tuple(reversed(placed))


def _behind(at: int, pieces: Sequence[Piece], ground: Ground) -> tuple[Placed, ...]:
    """Place pieces behind a place: where they were, if they end in time; else closed up."""
    for keep in (True, False):
        inside = Ground(first=at, end=ground.end, grain=ground.grain, sector=ground.sector)
        _, placed = _from_front(pieces, inside, keep=keep)
        if not placed or placed[-1].start + placed[-1].size <= ground.end:
            break
    return placed
