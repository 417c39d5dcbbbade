"""Standard output: where results go, whole or not at all."""

import io
import os
import shutil
import sys
from typing import TYPE_CHECKING

from verify.errors import OutputError
from verify.text.message import say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from rich.console import Console


def emit(text: str) -> None:
    """Write a result.

    Raises:
        OutputError: it cannot be written, or nobody reads it any more.
    """
    _hold_output()
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except OSError as error:
        raise output_failed(error) from error


def emit_parts(parts: "Iterable[str]") -> None:
    """Write a result that is made as it is written.

    Raises:
        OutputError: as `emit` does.
    """
    for part in parts:
        emit(part)


def emit_drawn(draw: "Callable[[Console], None]") -> None:
    """Write what `draw` prints on a console of standard output's width.

    Raises:
        OutputError: as `emit` does.
    """
    from verify.report.terminal import console_on_paper

    _hold_output()
    paper = io.StringIO()
    draw(console_on_paper(paper, sys.stdout))
    emit("".join(line.rstrip() + "\n" for line in paper.getvalue().splitlines()))


def output_width() -> int | None:
    """Return how many cells a line of standard output has; `None` where it is no terminal."""
    terminal = sys.stdout is not None and sys.stdout.isatty()
    return shutil.get_terminal_size().columns if terminal else None


def _hold_output() -> None:
    # NOTE: where the command is started with it closed (`>&-`), the interpreter has no stream.
    if sys.stdout is None:
        raise OutputError(say("standard output"), say("it is closed"))


def output_failed(error: OSError) -> OutputError:
    """Return what to tell of an error of standard output, to which nothing is written any more."""
    if sys.stdout is not None:
        _let_go_of_output()
    return OutputError(say("standard output"), system_words(error))


def _let_go_of_output() -> None:
    """Send what is left to nowhere: the interpreter would try to write it again as it ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
