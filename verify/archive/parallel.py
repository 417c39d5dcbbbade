"""Work on many entries of an archive, on all processors where there are enough of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from verify.parent import end_with_pool
from verify.platforms.this import PLATFORM

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

Item = TypeVar("Item")
Answer = TypeVar("Answer")

A_SHARE = 1_000
"""Entries handed over at once: as long as starting a process takes."""

_WORTHWHILE = 4 * A_SHARE


def in_shares(
    work: Callable[[Sequence[Item]], list[Answer]], items: Sequence[Item]
) -> Iterator[Answer]:
    """Yield what `work` answers to shares of the items, in their order.

    `work` is a function of a module with picklable arguments; a few items are worked on here.
    """
    shares = [items[at : at + A_SHARE] for at in range(0, len(items), A_SHARE)]
    if len(items) < _WORTHWHILE or PLATFORM.processors() == 1:
        for share in shares:
            yield from work(share)
        return
    from concurrent.futures import ProcessPoolExecutor  # noqa: PLC0415 - a list needs none of it
    from multiprocessing import get_context  # noqa: PLC0415 - likewise

    # NOTE: a fork would take along whatever threads hold at that moment.
    context = get_context("spawn")
    PLATFORM.end_children_with_this()
    with ProcessPoolExecutor(PLATFORM.processors(), context, initializer=end_with_pool) as pool:
        for answers in pool.map(work, shares):
            yield from answers
