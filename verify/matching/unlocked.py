"""Seeing through encryption: pairs of which an unlocked view was handed in on both sides."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.matching.pairing import Pair

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.manifest.header import Header, Partition


def see_through(
    source: Header, target: Header, pairs: Iterable[Pair]
) -> tuple[Header, Header, tuple[Pair, ...]]:
    """Return both headers and all pairs with such partitions as their views show them.

    A view on one side alone is left out: its files have nothing to be held against.
    """
    old: dict[int, Partition] = {}
    new: dict[int, Partition] = {}
    seen: list[Pair] = []
    for pair in pairs:
        if pair.both is None or not all(side.view and side.view.listing for side in pair.both):
            seen.append(pair)
            continue
        left, right = (side.unlocked() for side in pair.both)
        old[left.number], new[right.number] = left, right
        seen.append(Pair(left, right, pair.matched_by))
    return _with(source, old), _with(target, new), tuple(seen)


def _with(header: Header, partitions: dict[int, Partition]) -> Header:
    held = tuple(partitions.get(item.number, item) for item in header.partitions)
    return header.model_copy(update={"partitions": held})
