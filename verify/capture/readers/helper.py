"""A helper process beside a reader: a copy (fork) of it that does a share of the work.

It reports line by line what it has done, and ends at the first read that fails: the reader does
whatever was not reported by then, and it alone is patient with a failing drive. Where the system
gives no helper process, nothing is reported.
"""

from __future__ import annotations

import json
import os
import queue
import threading
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from verify.capture.readers.messages import Reporter
from verify.errors import SourceError
from verify.platforms.this import PLATFORM
from verify.source.drive import Drive

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


Lines = queue.SimpleQueue[str]
"""Lines of a helper process, and an empty one behind the last."""


def is_able() -> bool:
    """Whether this system can copy a process, and has more than one processor."""
    return PLATFORM.forks and PLATFORM.processors() > 1


@dataclass(slots=True)
class Helper:
    """What the helper process does its work with; `ask` and `tell` are lines to the reader."""

    drive: Drive
    report: Reporter
    _out: TextIO
    _answers: TextIO
    _failures: int

    def tell(self, line: str) -> None:
        """Tell the reader what was done; nothing is reported after a read that failed."""
        if self.drive.failures != self._failures:
            raise _FailedError
        self._out.write(line + "\n")

    def ask(self, question: str) -> str:
        """Ask the reader, and wait for its answer."""
        self.tell(question)
        self._out.flush()
        return self._answers.readline().rstrip("\n")


@dataclass(slots=True)
class HelperReports:
    """What a helper process reports, line by line; that it goes on is passed on to `report`."""

    report: Reporter
    _lines: Lines
    _ended: bool = False

    def next(self, *, wait: bool = True) -> str | None:
        """Return the next line that tells of work done.

        `None`: there is no more, or none by now if there is no wait for it.
        """
        while not self._ended and (wait or self._lines.qsize()):
            line = self._lines.get()
            if line.startswith("{"):
                self.report.advance(int(json.loads(line)["advance"]))
            elif line:
                return line
            else:
                self._ended = True
        return None


class _FailedError(Exception):
    """A read failed; the reader is the one to try again."""


@contextmanager
def helper_process(
    drive: Drive,
    report: Reporter,
    work: Callable[[Helper], None],
    answer: Callable[[str], str | None] = lambda _: None,
) -> Iterator[HelperReports]:
    """Start a helper process on `work`, and give what it reports.

    `answer` gives its answer to a line that asks; `None`: the line is one that tells.
    """
    lines: Lines = queue.SimpleQueue()
    handles: list[int] = []
    try:
        handles += os.pipe()
        handles += os.pipe()
        process = PLATFORM.fork()
    except OSError:
        for handle in handles:
            os.close(handle)
        lines.put("")
        yield HelperReports(report, lines)
        return
    told, asked = handles[:2], handles[2:]
    if not process:
        os.close(told[0])
        os.close(asked[1])
        _be_helper(drive, report, work, told[1], asked[0])
    os.close(told[1])
    os.close(asked[0])
    source = os.fdopen(told[0], encoding="ascii")
    thread = threading.Thread(target=_pump, args=(source, asked[1], answer, lines))
    try:
        try:
            thread.start()
        except RuntimeError:  # no more threads
            source.close()
            lines.put("")
        yield HelperReports(report, lines)
    finally:
        PLATFORM.end_fork(process)
        if thread.ident is not None:
            thread.join()
        os.close(asked[1])


def _pump(source: TextIO, answers: int, answer: Callable[[str], str | None], lines: Lines) -> None:
    """Pass on whole lines, or answer them; a last line that was cut is dropped."""
    try:
        for line in source:
            if not line.endswith("\n"):
                break
            said = answer(line[:-1])
            if said is None:
                lines.put(line[:-1])
            else:
                os.write(answers, f"{said}\n".encode("ascii"))
    except OSError:
        pass  # it ended between its question and the answer
    finally:
        source.close()
        lines.put("")


def _be_helper(
    drive: Drive, report: Reporter, work: Callable[[Helper], None], told: int, asked: int
) -> None:
    """Work, and end; nothing of the first process may run on in this one."""
    code = 1
    try:
        report.out.close()  # else the first one's end would not be seen
        with os.fdopen(told, "w", encoding="ascii") as out, os.fdopen(asked) as answers:
            drive.patience_seconds = 0.0  # it gives up at the first read that fails
            own = Reporter(out)
            drive.heartbeat = own.alive
            drive.failed = lambda _areas, _seconds: None  # the first one tells, when it asks again
            work(Helper(drive, own, out, answers, drive.failures))
        code = 0
    except (_FailedError, SourceError, OSError):
        pass  # the first one does what is missing, and tells what fails
    finally:
        os._exit(code)
