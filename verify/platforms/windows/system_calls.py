"""The system's own libraries, loaded when they are first asked, so that others can import this."""

from __future__ import annotations

import ctypes
from ctypes import c_void_p
from functools import cache
from typing import Any

_POINTERS = {
    "kernel32": (
        "CreateFileW",
        "CreateJobObjectW",
        "CreateMutexW",
        "GetCurrentProcess",
        "GetStdHandle",
    ),
    "advapi32": (),
}
"""Functions that answer with a handle, which has 64 bits where an `int` of C has 32."""


@cache
def library(name: str) -> Any:
    """Return one of Windows' libraries."""
    system: Any = ctypes  # of its own names only Windows has these
    loaded = system.WinDLL(name, use_last_error=True)
    if name == "kernel32":
        loaded.LocalFree.argtypes = (c_void_p,)
    for function in _POINTERS[name]:
        getattr(loaded, function).restype = c_void_p
    return loaded


def pointer(number: int | None) -> Any:
    """Return a handle or an address as an argument."""
    return c_void_p(number)


def last_error() -> int:
    """Return what GetLastError says of the call just made."""
    system: Any = ctypes
    return int(system.get_last_error())


def failed(path: object = None) -> OSError:
    """Return the error of the call just made, of the sort that its number is for Python."""
    system: Any = ctypes
    error: OSError = system.WinError(last_error())
    if path is not None:
        error.filename = str(path)
    return error
