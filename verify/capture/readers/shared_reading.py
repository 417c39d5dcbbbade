"""Reading with a helper process, so that both processors hash where no head has to move.

The helper reads the later half of the order.
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import accumulate
from typing import TYPE_CHECKING

from verify.capture.readers.helper import Helper, helper_process, is_able

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verify.capture.file_reading import EntryReading, Wanted
    from verify.capture.row_store import RowStore

LEAST_BYTES = 100 << 20
"""What is sooner read than this is not worth a process."""

_ENTRY_BYTES = 50_000
"""What opening a file costs, in bytes that could be read in that time."""


def is_worth_a_helper(store: RowStore, order: Sequence[int], wanted: Wanted) -> bool:
    """Whether there is enough to read for a helper process."""
    return is_able() and sum(_costs(store, order, wanted)) >= LEAST_BYTES


def read_with_helper(
    reading: EntryReading, store: RowStore, order: Sequence[int], wanted: Wanted
) -> Iterator[tuple[int, bytes]]:
    """Yield (number, note) of all entries that `order` names, as either process has read them."""
    done = list(accumulate(_costs(store, order, wanted)))
    half = bisect_left(done, done[-1] / 2) + 1
    left = dict.fromkeys(order[half:])

    def read_later_half(helper: Helper) -> None:
        store.reopen()
        reading.report = helper.report
        for number, note in reading.read_all(store, order[half:], wanted):
            helper.tell(f"{number} {note.decode('ascii')}")

    with helper_process(reading.drive, reading.report, read_later_half) as reports:
        for number, note in reading.read_all(store, order[:half], wanted):
            yield number, note
            while (line := reports.next(wait=False)) is not None:
                yield _noted(line, left)
        while (line := reports.next()) is not None:
            yield _noted(line, left)
    yield from reading.read_all(store, left, wanted)


def _costs(store: RowStore, order: Sequence[int], wanted: Wanted) -> Iterator[int]:
    """Yield what each entry weighs, in bytes."""
    return (
        _ENTRY_BYTES + (store.sizes[number] if number in wanted.whole else 0) for number in order
    )


def _noted(line: str, left: dict[int, None]) -> tuple[int, bytes]:
    """Take one line of the helper process: the number of an entry, and its note."""
    number, _, note = line.partition(" ")
    del left[int(number)]
    return int(number), note.encode("ascii")
