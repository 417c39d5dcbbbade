"""How a run is ended from outside, and what it finds open when it begins."""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import FrameType

EXIT_INTERRUPTED = 130

_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""What ends a run by the contract's 130: Ctrl-C, `kill`, a terminal that was closed, Ctrl-Break."""


class Ended(BaseException):
    """Somebody outside ended the run.

    NOTE: no KeyboardInterrupt, which the library that reads arguments would turn into exit 1.
    """


def end_when_told() -> None:
    """Let the signals that end a run unwind it, so that nothing is left behind.

    One that arrives while the run unwinds is passed over: it must not cut short the clearing up.
    SIGINT counts also where a shell started the run in the background, with SIGINT ignored;
    SIGHUP that is ignored stays ignored, which is what `nohup` is for.
    """
    for name in _ENDING:
        number = getattr(signal, name, None)
        if number is None or (name == "SIGHUP" and signal.getsignal(number) == signal.SIG_IGN):
            continue
        signal.signal(number, _end)


def _end(_number: int, _frame: FrameType | None) -> None:
    for name in _ENDING:
        if number := getattr(signal, name, None):
            signal.signal(number, signal.SIG_IGN)
    raise Ended


def open_what_is_closed() -> None:
    """Take the places of closed standard streams, which the next file opened would get.

    A message then goes nowhere, and a result ends in an error (see `output`).
    """
    while (handle := os.open(os.devnull, os.O_RDWR)) <= 2:  # noqa: PLR2004 - standard error
        pass
    os.close(handle)
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115 - to the end
