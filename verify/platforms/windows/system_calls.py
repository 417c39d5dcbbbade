"""Windows' own libraries, loaded when they are first asked, and what several calls are given."""

from __future__ import annotations

import ctypes
from ctypes import c_uint64, c_void_p
from functools import cache
from typing import Any

GENERIC_READ = 0x80000000
SHARE_ALL = 0x7
"""FILE_SHARE_READ, FILE_SHARE_WRITE and FILE_SHARE_DELETE: it may be renamed, or taken away."""

OPEN_EXISTING = 3
INVALID_HANDLE = c_void_p(-1).value


class Overlapped(ctypes.Structure):
    """OVERLAPPED; the two halves of the offset are one number."""

    _fields_ = (
        ("Internal", c_void_p),
        ("InternalHigh", c_void_p),
        ("Offset", c_uint64),
        ("hEvent", c_void_p),
    )


_POINTERS = {
    "kernel32": (
        "CreateFileW",
        "CreateJobObjectW",
        "CreateMutexW",
        "GetCurrentProcess",
        "GetStdHandle",
    ),
    "advapi32": (),
    "ntdll": ("RtlGetCurrentPeb",),
}
"""Functions that answer with a handle or an address: 64 bits, where an `int` of C has 32."""


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
