"""Code letters of lot-by-lot sampling: how many to draw from a lot, by its size.

Source: MIL-STD-105E (1989), Table I, general inspection level II, and Table II-A's sample sizes,
which ISO 2859-1 kept in structure. These plans protect whoever made the lot: at the acceptable
level most lots pass. They are no measure of what may be wiped; the exact draw for a stated
confidence is, and is what an audit draws unless it is told otherwise (`--letters`).

They are kept for a shop that has to draw by them all the same, and since plans and results that
were saved name their letters: those have to stay readable, and to be drawn again the same.
"""

from __future__ import annotations

from bisect import bisect_left

_LOTS = (
    (8, "A", 2),
    (15, "B", 3),
    (25, "C", 5),
    (50, "D", 8),
    (90, "E", 13),
    (150, "F", 20),
    (280, "G", 32),
    (500, "H", 50),
    (1_200, "J", 80),
    (3_200, "K", 125),
    (10_000, "L", 200),
    (35_000, "M", 315),
    (150_000, "N", 500),
    (500_000, "P", 800),
)
"""Largest lot, its letter, how many are drawn."""

_BEYOND = ("Q", 1_250)


def code_letter(lot: int) -> tuple[str, int]:
    """Return the letter of a lot of that many jobs, and how many are drawn: at most the lot."""
    place = bisect_left([largest for largest, _, _ in _LOTS], lot)
    letter, drawn = _LOTS[place][1:] if place < len(_LOTS) else _BEYOND
    return letter, min(drawn, lot)
