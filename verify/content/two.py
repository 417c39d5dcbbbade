"""Reading with two processes, so that both processors hash where no head has to move.

The second one is a copy (fork) of the first after the listing. It reads the later half of the
order, and ends at the first read that fails: what it has not read by then is read by the first,
which alone is patient with a failing drive.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import threading
from bisect import bisect_left
from contextlib import contextmanager
from itertools import accumulate
from typing import TYPE_CHECKING, TextIO

from verify.content.report import Reporter
from verify.errors import SourceError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verify.content.reading import EntryReading, Wanted
    from verify.content.spool import Spool

LEAST_BYTES = 100 << 20
"""What is sooner read than this is not worth a process."""

_ENTRY_BYTES = 50_000
"""What opening a file costs, in bytes that could be read in that time."""

Notes = queue.SimpleQueue[str]


def is_for_two(spool: Spool, order: Sequence[int], wanted: Wanted) -> bool:
    """Whether there is enough to read, and this system can copy a process and has processors."""
    able = hasattr(os, "fork") and (os.cpu_count() or 1) > 1
    return able and sum(_costs(spool, order, wanted)) >= LEAST_BYTES


def read_by_two(
    reading: EntryReading, spool: Spool, order: Sequence[int], wanted: Wanted
) -> Iterator[tuple[int, bytes]]:
    """Yield (number, note) of all entries that `order` names, as either process has read them."""
    done = list(accumulate(_costs(spool, order, wanted)))
    half = bisect_left(done, done[-1] / 2) + 1
    left = dict.fromkeys(order[half:])
    with _second(reading, spool, order[half:], wanted) as notes:
        for number, note in reading.read_all(spool, order[:half], wanted):
            yield number, note
            while notes.qsize() > 1:  # the last may be the end, which is waited for below
                yield from _told(notes.get(), reading, left)
        while line := notes.get():
            yield from _told(line, reading, left)
    yield from reading.read_all(spool, left, wanted)


def _costs(spool: Spool, order: Sequence[int], wanted: Wanted) -> Iterator[int]:
    """Yield what each entry weighs, in bytes."""
    return (
        _ENTRY_BYTES + (spool.sizes[number] if number in wanted.whole else 0) for number in order
    )


def _told(line: str, reading: EntryReading, left: dict[int, None]) -> Iterator[tuple[int, bytes]]:
    """Take one line of the second process: a note, or that work goes on."""
    if line.startswith("{"):
        reading.report.advance(int(json.loads(line)["advance"]))
        return
    number, _, note = line.partition(" ")
    del left[int(number)]
    yield int(number), note.encode("ascii")


@contextmanager
def _second(
    reading: EntryReading, spool: Spool, order: Sequence[int], wanted: Wanted
) -> Iterator[Notes]:
    """Start the second process; give its lines, and an empty one behind the last."""
    readable, writable = os.pipe()
    process = os.fork()
    if not process:
        os.close(readable)
        _be_second(os.fdopen(writable, "w", encoding="ascii"), reading, spool, order, wanted)
    os.close(writable)
    notes: Notes = queue.SimpleQueue()
    with os.fdopen(readable, encoding="ascii") as lines:
        thread = threading.Thread(target=_pump, args=(lines, notes))
        thread.start()
        try:
            yield notes
        finally:
            os.kill(process, signal.SIGKILL)
            os.waitpid(process, 0)
            thread.join()


def _pump(lines: TextIO, notes: Notes) -> None:
    """Pass on whole lines; a last one that was cut is none."""
    try:
        for line in lines:
            if line.endswith("\n"):
                notes.put(line[:-1])
    finally:
        notes.put("")


def _be_second(
    out: TextIO, reading: EntryReading, spool: Spool, order: Sequence[int], wanted: Wanted
) -> None:
    """Read and tell, and end; nothing of the first process may run on in this one."""
    code = 1
    try:
        spool.reopen()
        reading.report.out.close()  # else the first one's end would not be seen
        reading.report = Reporter(out)
        reading.drive.patience_seconds = 0.0  # it gives up at the first read that fails
        before = reading.drive.failures
        for number, note in reading.read_all(spool, order, wanted):
            if reading.drive.failures != before:
                break
            out.write(f"{number} {note.decode('ascii')}\n")
        out.flush()
        code = 0
    except (SourceError, OSError):
        pass  # the first one reads what is missing, and tells what fails
    finally:
        os._exit(code)
