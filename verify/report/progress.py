"""How far each drive is: a bar with rate and time left, on standard error, terminals only."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Self

from rich.progress import (
    BarColumn,
    TaskProgressColumn,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)
from rich.progress import Progress as RichProgress
from rich.table import Column
from rich.text import Text

from verify.capture.progress import Progress
from verify.report.harmless import harmless
from verify.report.terminal import console_for
from verify.text.language import speaking, spoken, translated
from verify.text.message import counted, joined, say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from types import TracebackType
    from typing import TextIO

    from rich.console import RenderableType
    from rich.progress import Task, TaskID

_NAME_LONGEST = 20
_MOST_SECONDS, _MOST_BYTES = 1e9, 1 << 70
_SECONDS_UNTIL, _MINUTES_UNTIL, _HOURS_UNTIL = 90, 90 * 60, 48 * 3600


def short_name(path: str) -> str:
    r"""Return a drive's path without its folders; the whole of one that has none (`\\.\…`)."""
    return Path(path).name or path


class DriveBar(Progress):
    """The bar of one drive, and a line under it where the drive gives trouble."""

    def __init__(
        self, bars: RichProgress, name: str, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._bars = bars
        self._clock = clock
        self._name = harmless(name, _NAME_LONGEST)
        self._expected = self._done = 0
        self._began: float | None = None
        self._areas = 0
        self._failing_seconds = self._waiting_seconds = 0.0
        self._language = spoken()  # the drives are read in threads, which do not know it
        self._task: TaskID = bars.add_task(self._name, total=None, phase="", failing=False)

    def phase(self, words: str) -> None:
        """Show what is being done."""
        with speaking(self._language):
            self._bars.update(self._task, phase=harmless(translated(words), 60))

    def expect(self, more_bytes: int) -> None:
        """Lengthen the bar."""
        self._began = self._clock() if self._began is None else self._began
        self._expected += more_bytes
        self._bars.update(self._task, total=self._expected)

    def advance(self, read_bytes: int) -> None:
        """Fill the bar."""
        self._done += read_bytes
        self._bars.advance(self._task, read_bytes)

    def failing(self, areas: int, seconds: float) -> None:
        """Count what is unreadable, and what it takes."""
        self._areas += areas
        self._failing_seconds += seconds
        self._bars.update(self._task, failing=True)

    def waiting(self, seconds: float) -> None:
        """Show for how long nothing has come."""
        self._waiting_seconds = seconds

    def trouble(self) -> str | None:
        """Return the line for a drive that fails or keeps silent, in the language of the run."""
        parts: list[str] = []
        if self._areas or self._failing_seconds:
            parts = [
                counted("{count} unreadable area", "{count} unreadable areas", self._areas),
                self._foreseen(),
            ]
        if self._waiting_seconds:
            silence = _duration(self._waiting_seconds)
            parts.append(say("no data from the drive for {silence}", silence=silence))
        if not parts:
            return None
        with speaking(self._language):
            return f"{self._name}: {translated(joined(parts, '; '))}"

    def _foreseen(self) -> str:
        """Return when it ends, if the rest goes as all did so far, failing reads and good ones."""
        spent = _duration(self._failing_seconds)
        if self._began is None or not 0 < self._done < _MOST_BYTES > self._expected:
            return say("failed reads took {spent} so far", spent=spent)
        share_left = max(0, self._expected - self._done) / self._done
        left = _duration(min((self._clock() - self._began) * share_left, _MOST_SECONDS))
        return say(
            "failed reads took {spent}; about {left} left at this rate", spent=spent, left=left
        )


def _duration(seconds: float) -> str:
    """Return a time in its people's unit, rounded."""
    if seconds < _SECONDS_UNTIL:
        return say("{count} s", count=round(seconds))
    if seconds < _MINUTES_UNTIL:
        return say("{count} min", count=round(seconds / 60))
    if seconds < _HOURS_UNTIL:
        return say("{count} h", count=round(seconds / 3600))
    return counted("{count} day", "{count} days", round(seconds / 86_400))


class _BarsAndLines(RichProgress):
    """The bars, and below them a line for each drive that gives trouble."""

    drives: tuple[DriveBar, ...] = ()

    def get_renderables(self) -> Iterable[RenderableType]:
        """Return all that is drawn."""
        yield from super().get_renderables()
        for drive in self.drives:
            if (words := drive.trouble()) is not None:
                yield Text(words)


class _TimeLeft(TimeRemainingColumn):
    """The time left by the last half minute; nothing where failing reads make that no measure."""

    def render(self, task: Task) -> Text:
        """Return the text of the column."""
        return Text() if task.fields["failing"] else super().render(task)


class Bars:
    """The bars of a run, one a drive; nothing at all where `stream` is no terminal."""

    def __init__(self, stream: TextIO) -> None:
        # NOTE: NO_COLOR is honoured by the console itself (rich, Console.no_color).
        console = console_for(stream)
        self._shown = stream.isatty()
        self._bars = _BarsAndLines(
            TextColumn("{task.description}", markup=False),
            TextColumn(
                "{task.fields[phase]}",
                markup=False,
                table_column=Column(ratio=1, no_wrap=True, overflow="ellipsis"),
            ),
            BarColumn(bar_width=12),
            TaskProgressColumn(),
            TransferSpeedColumn(),
            _TimeLeft(compact=True),
            console=console,
            transient=True,
            expand=True,
            disable=not self._shown,
        )

    def __enter__(self) -> Self:
        """Begin to draw."""
        self._bars.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Clear the bars away."""
        self._bars.stop()

    def drive(self, name: str) -> Progress:
        """Return the progress of one more drive, called by `name`."""
        if not self._shown:
            return Progress()
        bar = DriveBar(self._bars, name)
        self._bars.drives += (bar,)
        return bar
