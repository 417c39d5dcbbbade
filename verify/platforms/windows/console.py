"""Windows: what goes through a console or a pipe, the language of whoever sits at it, its end.

Sources: Microsoft Learn, "SetConsoleMode" (ENABLE_VIRTUAL_TERMINAL_PROCESSING), "HandlerRoutine"
(once it returns after a close, a log-off or a shutdown the system ends the process; it waits about
five seconds for that), "GetUserDefaultUILanguage", "LCIDToLocaleName". Wine has no console here:
only the language was tried under it.
"""

from __future__ import annotations

import ctypes
import os
import signal
import time
from ctypes import c_int, c_uint32
from subprocess import list2cmdline
from typing import TYPE_CHECKING, Any

from verify.platforms.platform import Platform
from verify.platforms.windows.system_calls import library, pointer

if TYPE_CHECKING:
    from collections.abc import Sequence

_OUTPUT_HANDLES = (-11, -12)
"""STD_OUTPUT_HANDLE and STD_ERROR_HANDLE."""

_VIRTUAL_TERMINAL = 0x4
_CLOSING = frozenset({2, 5, 6})
"""CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT, CTRL_SHUTDOWN_EVENT."""

_UNWINDING_SECONDS = 4.5
_LOCALE_NAME_UNITS = 85
_handlers: list[Any] = []
"""Kept, since Windows calls them for as long as the process lasts."""


class WindowsConsole(Platform):
    """The console of a Windows system."""

    text_encoding = "utf-8"

    def set_up_console(self) -> None:
        """Have it draw colours, and give a run the time to unwind when it is closed."""
        if not all(map(_draws_colours, _OUTPUT_HANDLES)):
            os.environ["TERM"] = "dumb"  # which Rich takes to mean text alone
        if not _handlers:
            of_windows: Any = ctypes  # of its own names only Windows has these
            handler = of_windows.WINFUNCTYPE(c_int, c_uint32)(hold_open_while_ending)
            _handlers.append(handler)
            library("kernel32").SetConsoleCtrlHandler(handler, 1)

    def command_line(self, words: Sequence[str]) -> str:
        """Return words as the command prompt takes them."""
        return list2cmdline(words)

    def language(self) -> str:
        """Return the language that Windows itself speaks to this user, such as `de-DE`."""
        kernel = library("kernel32")
        room = ctypes.create_unicode_buffer(_LOCALE_NAME_UNITS)
        number = kernel.GetUserDefaultUILanguage() & 0xFFFF
        return room.value if kernel.LCIDToLocaleName(number, room, len(room), 0) else ""


def hold_open_while_ending(event: int) -> int:
    """Answer what the console tells: where it goes away, end the run first (see `cli.ending`)."""
    if event not in _CLOSING:
        return 0  # Ctrl-C and Ctrl-Break become Python's own signals
    signal.raise_signal(getattr(signal, "SIGBREAK", signal.SIGTERM))
    time.sleep(_UNWINDING_SECONDS)
    return 1


def _draws_colours(number: int) -> bool:
    """Have a console interpret codes for colour and weight; True where it is no console."""
    kernel = library("kernel32")
    handle, mode = pointer(kernel.GetStdHandle(number)), c_uint32()
    if not kernel.GetConsoleMode(handle, ctypes.byref(mode)):
        return True
    return bool(kernel.SetConsoleMode(handle, mode.value | _VIRTUAL_TERMINAL))
