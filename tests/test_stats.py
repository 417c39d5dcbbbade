"""Sampling bounds against published tables, another library, and simulated damage."""

from __future__ import annotations

import random

import pytest
from scipy.stats import hypergeom

from verify.stats import draw_size, most_bad, sample_size

# Source: n = ceil(ln a / ln(1 - p)), the zero-failure sample size; 59, 299 and 2,995 are the
# figures printed in textbooks of acceptance sampling and in the Python `reliability` docs.
PUBLISHED_SIZES = [
    (0.90, 0.10, 22),
    (0.95, 0.10, 29),
    (0.99, 0.10, 44),
    (0.95, 0.05, 59),
    (0.95, 0.02, 149),
    (0.95, 0.01, 299),
    (0.99, 0.01, 459),
    (0.95, 0.001, 2995),
    (0.99, 0.001, 4603),
    (0.95, 0.0001, 29956),
]

# Source: C(N - D, n) / C(N, n) <= 5 % by exact integers: largest D not excluded, none found.
EXACT_LIMITS = [
    (500, 250, 4),
    (1_000, 59, 48),
    (1_000, 299, 8),
    (10_000, 299, 98),
    (200_000, 299, 1_992),
    (200_000, 3_000, 198),
]

# Source: the same formula, smallest n that excludes D of N (9,500, where floats give 9,501).
SMALLEST_DRAWS = [
    (100, 1, 95),
    (100, 5, 45),
    (500, 5, 225),
    (1_000, 1, 950),
    (1_000, 10, 258),
    (1_000, 50, 57),
    (10_000, 1, 9_500),
    (10_000, 100, 294),
    (100_000, 1_000, 298),
    (200_000, 200, 2_972),
]


@pytest.mark.parametrize(("confidence", "share", "size"), PUBLISHED_SIZES)
def test_sample_size_when_asked_for_a_published_row_then_it_is_the_same(
    confidence: float, share: float, size: int
) -> None:
    """The zero-failure table's sample sizes."""
    assert sample_size(confidence, share) == size


@pytest.mark.parametrize(("population", "drawn", "limit"), EXACT_LIMITS)
def test_most_bad_when_none_is_found_then_it_is_the_exact_limit(
    population: int, drawn: int, limit: int
) -> None:
    """The finite-population table's limits."""
    assert most_bad(population, drawn, confidence=0.95) == limit


@pytest.mark.parametrize(("population", "bad", "drawn"), SMALLEST_DRAWS)
def test_most_bad_when_one_fewer_is_drawn_then_that_many_bad_are_no_longer_excluded(
    population: int, bad: int, drawn: int
) -> None:
    """Both sides of every limit of the smallest-draw table."""
    assert most_bad(population, drawn, confidence=0.95) < bad
    assert most_bad(population, drawn - 1, confidence=0.95) >= bad


@pytest.mark.parametrize(("population", "bad", "drawn"), SMALLEST_DRAWS)
def test_draw_size_when_asked_for_a_row_of_the_table_then_it_is_the_same(
    population: int, bad: int, drawn: int
) -> None:
    """The smallest-draw table: 9,500 of 10,000 for a single bad one, not 9,501."""
    assert draw_size(population, bad, confidence=0.95) == drawn


def test_draw_size_when_held_against_scipy_then_no_population_differs() -> None:
    """Scipy's hypergeometric distribution: the first n whose chance of finding none is low."""
    rng = random.Random(13)
    for _ in range(150):
        population = rng.randint(1, 120)
        bad = rng.randint(1, population)
        chances = (hypergeom.pmf(0, population, bad, drawn) for drawn in range(population + 1))
        first = next(drawn for drawn, chance in enumerate(chances) if chance <= 0.05 + 1e-12)
        assert draw_size(population, bad, confidence=0.95) == first
    with pytest.raises(ValueError, match="bad"):
        draw_size(10, 0, confidence=0.95)


def test_most_bad_when_held_against_scipy_then_no_population_differs() -> None:
    """Scipy's hypergeometric distribution, asked for every D of small populations."""
    rng = random.Random(7)
    for _ in range(150):
        population = rng.randint(1, 120)
        drawn = rng.randint(0, population)
        found = rng.randint(0, min(drawn, 5))
        possible = range(found, population - (drawn - found) + 1)
        kept = [bad for bad in possible if hypergeom.cdf(found, population, bad, drawn) > 0.05]
        assert most_bad(population, drawn, found, confidence=0.95) == max(kept)


def test_most_bad_when_damage_is_simulated_then_the_bound_covers_as_often_as_it_says() -> None:
    """Of 2,000 clones with D bad files, D just above the bound, at most 5 % show none of them.

    The expected number is binomial; 2,000 x 5 % = 100, and 134 is 3.5 standard deviations more.
    """
    rng = random.Random(11)
    population, drawn = 2_000, 300
    bad = most_bad(population, drawn, confidence=0.95) + 1
    unseen = sum(min(rng.sample(range(population), drawn)) >= bad for _ in range(2_000))
    assert 40 < unseen <= 134


def test_most_bad_when_everything_was_drawn_then_only_what_was_found_is_bad() -> None:
    """A full draw leaves nothing open."""
    assert most_bad(50, 50, confidence=0.95) == 0
    assert most_bad(50, 50, 3, confidence=0.95) == 3


def test_most_bad_when_nothing_was_drawn_then_all_may_be_bad() -> None:
    """No draw excludes nothing."""
    assert most_bad(50, 0, confidence=0.95) == 50


def test_most_bad_when_more_are_found_than_drawn_then_it_is_refused() -> None:
    """Numbers that contradict each other are an error of the caller."""
    with pytest.raises(ValueError, match="found"):
        most_bad(10, 2, 3, confidence=0.95)
