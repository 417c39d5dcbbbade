"""How far each drive is: a bar with rate and time left, on standard error, terminals only."""

from __future__ import annotations

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

from verify.capture.progress import Progress
from verify.report.harmless import harmless
from verify.report.terminal import console_for
from verify.text.language import speaking, spoken, translated

if TYPE_CHECKING:
    from types import TracebackType
    from typing import TextIO

    from rich.progress import TaskID

_NAME_LONGEST = 20


def short_name(path: str) -> str:
    r"""Return a drive's path without its folders; the whole of one that has none (`\\.\…`)."""
    return Path(path).name or path


class DriveBar(Progress):
    """The bar of one drive."""

    def __init__(self, bars: RichProgress, name: str) -> None:
        self._bars = bars
        self._expected = 0
        self._language = spoken()  # the drives are read in threads, which do not know it
        self._task: TaskID = bars.add_task(harmless(name, _NAME_LONGEST), total=None, phase="")

    def phase(self, words: str) -> None:
        """Show what is being done."""
        with speaking(self._language):
            self._bars.update(self._task, phase=harmless(translated(words), 60))

    def expect(self, more_bytes: int) -> None:
        """Lengthen the bar."""
        self._expected += more_bytes
        self._bars.update(self._task, total=self._expected)

    def advance(self, read_bytes: int) -> None:
        """Fill the bar."""
        self._bars.advance(self._task, read_bytes)


class Bars:
    """The bars of a run, one a drive; nothing at all where `stream` is no terminal."""

    def __init__(self, stream: TextIO) -> None:
        # NOTE: NO_COLOR is honoured by the console itself (rich, Console.no_color).
        console = console_for(stream)
        self._shown = stream.isatty()
        self._bars = RichProgress(
            TextColumn("{task.description}", markup=False),
            TextColumn(
                "{task.fields[phase]}",
                markup=False,
                table_column=Column(ratio=1, no_wrap=True, overflow="ellipsis"),
            ),
            BarColumn(bar_width=12),
            TaskProgressColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(compact=True),
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
        return DriveBar(self._bars, name) if self._shown else Progress()
