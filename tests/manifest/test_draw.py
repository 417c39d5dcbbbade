"""The draw: the same for captures made apart, uniform, and bounded."""

from __future__ import annotations

from collections import Counter

from verify.manifest.draw import HIGHEST_KEY, Lottery, Lowest, blocks_in

PATHS = [f"/photos/{number:05}.jpg" for number in range(4_000)]


def draw(paths: list[str], most: int, seed: str = "a seed") -> set[str]:
    """Draw `most` of the paths."""
    lottery = Lottery.of(seed)
    lowest: Lowest[str] = Lowest(most)
    for path in paths:
        lowest.offer(lottery.file(path), path)
    return set(lowest.items)


def test_draw_when_one_side_has_further_files_then_the_common_ones_are_drawn_alike() -> None:
    """A name that only one side has pushes out at most one other."""
    ours, theirs = draw(PATHS, 500), draw([*PATHS, "/new/a", "/new/b"], 500)
    assert len(ours & theirs) >= 498


def test_draw_when_the_order_is_another_then_the_same_are_drawn() -> None:
    """The draw depends on the names alone."""
    assert draw(PATHS, 300) == draw(PATHS[::-1], 300)


def test_draw_when_the_seed_is_another_then_others_are_drawn() -> None:
    """Two seeds share about as many as chance gives: 500 x 500 / 4,000 = 62."""
    common = draw(PATHS, 500, "one") & draw(PATHS, 500, "two")
    assert 30 < len(common) < 100


def test_draw_when_repeated_over_seeds_then_every_file_is_drawn_about_as_often() -> None:
    """100 of 400 over 400 seeds: 100 times each; 5 standard deviations are 43."""
    paths = PATHS[:400]
    times = Counter(path for seed in range(400) for path in draw(paths, 100, str(seed)))
    assert len(times) == 400
    assert min(times.values()) >= 57
    assert max(times.values()) <= 143


def test_threshold_when_all_are_drawn_then_it_is_the_highest_number() -> None:
    """A draw that took everything says so."""
    lowest: Lowest[int] = Lowest(3)
    for number in (5, 9, 7):
        lowest.offer(number, number)
    assert lowest.threshold == HIGHEST_KEY
    lowest.offer(1, 1)
    assert lowest.threshold == 7


def test_lottery_when_a_name_is_no_text_then_it_still_has_a_number() -> None:
    """Lone surrogates stand for bytes that are no text, in both of their ranges."""
    lottery = Lottery.of("seed")
    assert lottery.file("/\udcff") != lottery.file("/\ud800")


def test_lottery_when_a_block_follows_another_path_then_its_number_is_another() -> None:
    """Neither index nor path alone decides."""
    lottery = Lottery.of("seed")
    numbers = {lottery.block(path, index) for path in ("/a", "/b") for index in range(50)}
    assert len(numbers) == 100


def test_blocks_in_when_at_the_limits_then_every_byte_is_covered() -> None:
    """A block is 1 MiB; arithmetic."""
    assert [blocks_in(size) for size in (0, 1, 1 << 20, (1 << 20) + 1)] == [0, 1, 1, 2]
