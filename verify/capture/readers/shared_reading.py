"""Reading with two processes, so that both processors hash where no head has to move.

The second one reads the later half of the order.
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import accumulate
from typing import TYPE_CHECKING

from verify.capture.readers.helper import Second, is_able, second_process

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verify.capture.file_reading import EntryReading, Wanted
    from verify.capture.row_store import Spool

LEAST_BYTES = 100 << 20
"""What is sooner read than this is not worth a process."""

_ENTRY_BYTES = 50_000
"""What opening a file costs, in bytes that could be read in that time."""


def is_for_two(spool: Spool, order: Sequence[int], wanted: Wanted) -> bool:
    """Whether there is enough to read for a second process."""
    return is_able() and sum(_costs(spool, order, wanted)) >= LEAST_BYTES


def read_by_two(
    reading: EntryReading, spool: Spool, order: Sequence[int], wanted: Wanted
) -> Iterator[tuple[int, bytes]]:
    """Yield (number, note) of all entries that `order` names, as either process has read them."""
    done = list(accumulate(_costs(spool, order, wanted)))
    half = bisect_left(done, done[-1] / 2) + 1
    left = dict.fromkeys(order[half:])

    def read_later_half(second: Second) -> None:
        spool.reopen()
        reading.report = second.report
        for number, note in reading.read_all(spool, order[half:], wanted):
            second.tell(f"{number} {note.decode('ascii')}")

    with second_process(reading.drive, reading.report, read_later_half) as told:
        for number, note in reading.read_all(spool, order[:half], wanted):
            yield number, note
            while (line := told.next(wait=False)) is not None:
                yield _noted(line, left)
        while (line := told.next()) is not None:
            yield _noted(line, left)
    yield from reading.read_all(spool, left, wanted)


def _costs(spool: Spool, order: Sequence[int], wanted: Wanted) -> Iterator[int]:
    """Yield what each entry weighs, in bytes."""
    return (
        _ENTRY_BYTES + (spool.sizes[number] if number in wanted.whole else 0) for number in order
    )


def _noted(line: str, left: dict[int, None]) -> tuple[int, bytes]:
    """Take one line of the second process: the number of an entry, and its note."""
    number, _, note = line.partition(" ")
    del left[int(number)]
    return int(number), note.encode("ascii")
