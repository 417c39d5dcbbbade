"""How a run is ended from outside, and what it finds open when it begins."""

from __future__ import annotations

import _thread
import os
import signal
import sys
import threading
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import FrameType

EXIT_INTERRUPTED = 130

_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""What ends a run by the contract's 130: Ctrl-C, `kill`, a terminal that was closed, Ctrl-Break."""

CLEARING_SECONDS = 5.0
"""How long a run may unwind before a further signal counts."""


_ONCE_MORE_SECONDS = 0.05


class Ended(BaseException):
    """Somebody outside ended the run; its arguments are sentences on how to go on.

    NOTE: no KeyboardInterrupt, which the library that reads arguments would turn into exit 1.
    """


def end_when_told() -> None:
    """Let the signals that end a run unwind it, so that nothing is left behind.

    One that arrives soon after is passed over: it must not cut short the clearing up.
    SIGINT counts also where a shell started the run in the background, with SIGINT ignored;
    SIGHUP that is ignored stays ignored, which is what `nohup` is for.
    """
    ending = _Ending()
    sys.unraisablehook = ending.again
    for number in _numbers():
        if number != getattr(signal, "SIGHUP", None) or signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, ending)


def ending_already() -> None:
    """Pass over what ends a run, once its exit code is known.

    NOTE: the interpreter's own last steps would put the system's handlers back, and a signal then
    become the exit code.
    """
    for number in _numbers():
        signal.signal(number, signal.SIG_IGN)


def _numbers() -> list[int]:
    return [getattr(signal, name) for name in _ENDING if hasattr(signal, name)]


class _Ending:
    """What a signal does: it unwinds the run, once in a while."""

    def __init__(self) -> None:
        self.last = float("-inf")

    def __call__(self, _number: int, _frame: FrameType | None) -> None:
        now = time.monotonic()
        if now - self.last > CLEARING_SECONDS:
            self.last = now
            raise Ended

    def again(self, lost: sys.UnraisableHookArgs) -> None:
        """Tell it once more where it came as an object was cleared away, which ends nothing."""
        if not isinstance(lost.exc_value, Ended):
            sys.__unraisablehook__(lost)
            return
        self.last = float("-inf")
        _thread.start_new_thread(_interrupt_soon, ())


def _interrupt_soon() -> None:
    """Send the signal to the first thread, so that it waits no longer for what it waits for."""
    time.sleep(_ONCE_MORE_SECONDS)
    send = getattr(signal, "pthread_kill", None)
    if send is None:
        signal.raise_signal(signal.SIGINT)
    else:
        send(threading.main_thread().ident, signal.SIGINT)


def open_what_is_closed() -> None:
    """Take the places of closed standard streams, which the next file opened would get.

    A message then goes nowhere, and a result ends in an error (see `output`).
    """
    while (handle := os.open(os.devnull, os.O_RDWR)) <= 2:  # noqa: PLR2004 - standard error
        pass
    os.close(handle)
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115 - to the end
