"""Exact sampling bounds in whole numbers: what a sample of a finite population can exclude.

A draw of n out of N without replacement, of which x were found bad, excludes D bad ones at
confidence c if a population with D would have shown as few as x with a chance of at most 1 - c
(one-sided hypergeometric bound). Chances are compared as exact fractions, never as floats: a
float logarithm is off by one at the very limit that matters.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil, comb, log1p

TOLERABLE_SHARE = 0.001
"""The share of files that a sample must exclude to be enough (docs/rules/file-content.md)."""

MOST_FOUND = 1_000
"""With more bad ones found than this nothing is excluded that was not drawn: the answer is out."""


def sample_size(confidence: float, share: float) -> int:
    """Return how many of an endless population to draw to exclude a bad `share`, none found.

    Both in (0, 1). n = ceil(ln(1 - c) / ln(1 - p)).
    """
    return ceil(log1p(-confidence) / log1p(-share))


def draw_size(population: int, bad: int, *, confidence: float) -> int:
    """Return how many of a population to draw to exclude that many bad items, none found.

    The smallest n with C(N - D, n) / C(N, n) <= 1 - c. `population`: N; `bad`: D in 1..N;
    `confidence`: c in (0, 1), one-sided.

    Raises:
        ValueError: the numbers contradict each other.
    """
    if not 1 <= bad <= population:
        raise ValueError("1 <= bad <= population")
    doubt = 1 - Fraction(confidence).limit_denominator(10**9)
    low, high = 0, population
    # NOTE: the chance of finding none falls as n grows, so the size can be halved in on.
    while low < high:
        middle = (low + high) // 2
        if _excluded(population, middle, 0, bad, doubt):
            high = middle
        else:
            low = middle + 1
    return low


def most_bad(population: int, drawn: int, found: int = 0, *, confidence: float) -> int:
    """Return the largest number of bad items that the draw does not exclude.

    Args:
        population: N, how many were drawn from; at least `drawn`.
        drawn: n, how many were drawn.
        found: x, how many of those were bad.
        confidence: c in (0, 1), one-sided.

    Raises:
        ValueError: the numbers contradict each other.
    """
    if not 0 <= found <= drawn <= population:
        raise ValueError("found <= drawn <= population")
    doubt = 1 - Fraction(confidence).limit_denominator(10**9)
    low, high = found, population - (drawn - found)
    if found > MOST_FOUND:
        return high
    # NOTE: the chance of finding at most x falls as D grows, so the limit can be halved in on.
    while low < high:
        middle = (low + high + 1) // 2
        if _excluded(population, drawn, found, middle, doubt):
            high = middle - 1
        else:
            low = middle
    return low


def _excluded(population: int, drawn: int, found: int, bad: int, doubt: Fraction) -> bool:
    """Whether a population with `bad` bad items shows at most `found` with a chance <= `doubt`."""
    good = population - bad
    # NOTE: drawing n of N with D marked, or marking D of N with n drawn, is one and the same;
    # the smaller of the two makes the shorter product.
    if found == 0:
        return _none_found(population, min(drawn, bad), max(drawn, bad), doubt)
    term = comb(good, drawn)
    ways = term
    for hits in range(min(found, bad, drawn)):
        # NOTE: each term follows from the one before, exactly; zero until good is large enough.
        if good < drawn - hits - 1:
            continue
        if term == 0:
            term = comb(bad, hits + 1) * comb(good, drawn - hits - 1)
        else:
            term = term * (bad - hits) * (drawn - hits)
            term //= (hits + 1) * (good - drawn + hits + 1)
        ways += term
    return ways * doubt.denominator <= doubt.numerator * comb(population, drawn)


def _none_found(population: int, few: int, many: int, doubt: Fraction) -> bool:
    """Whether C(N - many, few) / C(N, few) <= doubt, by whole numbers."""
    if few + many > population:
        return True
    above = below = 1
    for step in range(few):
        above *= population - many - step
        below *= population - step
    return above * doubt.denominator <= doubt.numerator * below
