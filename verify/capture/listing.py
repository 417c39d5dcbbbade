"""Listing a volume in batches, alone or with a helper process.

The folders on top are read first; each one below which much may stand is a branch, and what is on
top is parted behind branches. The reader lists the parts from the first on, the helper from the
last back, until they meet. What the helper has listed waits in a file, and takes its place in the
order when the reader comes to it.
"""

from __future__ import annotations

import pickle
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from verify.capture.batch import Batch, BatchMaker
from verify.capture.readers.helper import Helper, HelperReports, helper_process, is_able
from verify.capture.readers.messages import Reporter
from verify.filesystem.tree import Branch, below, crown
from verify.source.drive import Drive

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry

Part = list["Entry | Branch"]
"""Names on top that follow each other, with the branches among them."""

_WORTH_TWO = 2
"""More parts than that are shared with a helper process."""

_MOST_PARTS = 512
"""Parts with branches: enough that two who take turns end at about the same time."""


@dataclass(slots=True)
class VolumeListing:
    """One volume being listed; `aside`: the file for what a helper process lists."""

    maker: BatchMaker
    drive: Drive
    report: Reporter
    aside: Path

    def batches(self) -> Iterator[Batch]:
        """Yield all batches, in the order of a walk through the folders.

        Raises:
            ReaderError: the root cannot be read.
        """
        parts = _parts(crown(self.maker.volume))
        if self.maker.task.readers > 1 and len(parts) > _WORTH_TWO and is_able():
            yield from self._with_helper(parts)
            return
        for part in parts:
            yield from self._of_part(part)

    def _of_part(self, part: Part) -> Iterator[Batch]:
        for batch in self.maker.batches(self._entries(part)):
            yield batch
            self.report.alive()

    def _entries(self, part: Part) -> Iterator[Entry]:
        for item in part:
            if isinstance(item, Branch):
                yield from below(self.maker.volume, item)
            else:
                yield item

    def _with_helper(self, parts: list[Part]) -> Iterator[Batch]:
        shares = _Shares(len(parts))

        def list_from_the_last(helper: Helper) -> None:
            self.report = helper.report
            with self.aside.open("wb") as file:
                while number := helper.ask(_NEXT):
                    start = file.tell()
                    self._set_aside(parts[int(number)], file)
                    helper.tell(f"{number} {start}")

        try:
            with helper_process(
                self.drive, self.report, list_from_the_last, shares.answer
            ) as reports:
                starts = _Starts(reports)
                for at, part in enumerate(parts):
                    start = None if shares.take_first(at) else starts.of(at)
                    if start is None:
                        yield from self._of_part(part)
                    else:
                        yield from self._from_aside(start)
        finally:
            self.aside.unlink(missing_ok=True)

    def _set_aside(self, part: Part, file: BinaryIO) -> None:
        incomplete = self.maker.volume.incomplete
        before = len(incomplete)
        for batch in self._of_part(part):
            pickle.dump(batch, file, pickle.HIGHEST_PROTOCOL)
        pickle.dump(incomplete[before:], file, pickle.HIGHEST_PROTOCOL)
        file.flush()

    def _from_aside(self, start: int) -> Iterator[Batch]:
        with self.aside.open("rb") as file:
            file.seek(start)
            while isinstance(item := pickle.load(file), Batch):  # noqa: S301 - this program wrote it
                yield item
                self.report.alive()
            self.maker.volume.incomplete += item


def _parts(top: list[Entry | Branch]) -> list[Part]:
    """Part the names on top behind branches, so that parts have about as many of these each."""
    branches = sum(isinstance(item, Branch) for item in top)
    each = -(-branches // _MOST_PARTS)
    parts: list[Part] = [[]]
    count = 0
    for item in top:
        parts[-1].append(item)
        if isinstance(item, Branch):
            count += 1
            if count % each == 0:
                parts.append([])
    return [part for part in parts if part]


_NEXT = "next"


@dataclass(slots=True)
class _Shares:
    """Parts by number that reader and helper take from both ends, each one once."""

    end: int
    _first: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def take_first(self, number: int) -> bool:
        """Take a part from the front; whether it was still there."""
        with self._lock:
            self._first = number + 1
            return number < self.end

    def answer(self, question: str) -> str | None:
        """Give the last part to who asks for it: its number, or nothing where none is left."""
        if question != _NEXT:
            return None
        with self._lock:
            if self.end <= self._first:
                return ""
            self.end -= 1
            return str(self.end)


@dataclass(slots=True)
class _Starts:
    """Where in the file of the helper process a part begins, as far as it has reported."""

    reports: HelperReports
    _known: dict[int, int] = field(default_factory=dict)

    def of(self, number: int) -> int | None:
        """Wait until a part is there; `None`: the helper ended without it."""
        while number not in self._known and (line := self.reports.next()) is not None:
            part, _, start = line.partition(" ")
            self._known[int(part)] = int(start)
        return self._known.get(number)
