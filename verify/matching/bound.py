"""What the samples of all partitions together leave open, as one exact bound."""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING

from verify.matching.pair_contents import SampleBound
from verify.stats import most_bad

if TYPE_CHECKING:
    from verify.matching.pair_contents import ContentComparison, PairContents


def sample_bound(contents: ContentComparison, confidence: float) -> SampleBound:
    """Bound the files and bytes that may differ unseen in all pairs, beyond those found.

    Each partition's files and blocks are draws of their own. If more than its bound were bad in
    any one of them, that draw alone would have shown it at `confidence`; so with nothing found
    the sum of the bounds holds at `confidence` as it stands. Where differences were found, the
    doubt is shared out among the draws (Bonferroni), so that the sum still holds.
    """
    pairs = list(contents.pairs.values())
    draws = sum(bool(pair.totals.population) + bool(pair.totals.block_population) for pair in pairs)
    found = sum(pair.drawn_mismatches + pair.block_mismatches for pair in pairs)
    each = 1 - (1 - confidence) / draws if found and draws else confidence
    files = blocks = bytes_open = 0
    for pair in pairs:
        bad = _bad_files(pair, each)
        files += bad
        bytes_open += sum(heapq.nlargest(bad, pair.totals.sizes)) if bad else 0
        bad = _bad_blocks(pair, each)
        bytes_open += bad * pair.block_bytes
        blocks += bad
    return SampleBound(
        confidence=confidence,
        files=sum(pair.totals.population for pair in pairs),
        files_at_most=files,
        blocks=sum(pair.totals.block_population for pair in pairs),
        blocks_at_most=blocks,
        bytes_at_most=bytes_open,
    )


def _bad_files(pair: PairContents, confidence: float) -> int:
    found = pair.drawn_mismatches
    return most_bad(pair.totals.population, pair.totals.drawn, found, confidence=confidence) - found


def _bad_blocks(pair: PairContents, confidence: float) -> int:
    found = pair.block_mismatches
    return (
        most_bad(pair.totals.block_population, pair.totals.blocks, found, confidence=confidence)
        - found
    )
