"""What Windows refuses, by the number that GetLastError gives.

Source: Microsoft Learn, "System Error Codes (0-499)" and "(1000-1299)".
"""

from __future__ import annotations

from verify.text.message import say

FILE_NOT_FOUND = 2
PATH_NOT_FOUND = 3
ACCESS_DENIED = 5
NOT_READY = 21
WRITE_PROTECT = 19
CRC = 23
SECTOR_NOT_FOUND = 27
SHARING_VIOLATION = 32
HANDLE_EOF = 38
DEV_NOT_EXIST = 55
SEM_TIMEOUT = 121
INSUFFICIENT_BUFFER = 122
MORE_DATA = 234
NO_SUCH_DEVICE = 433
IO_DEVICE = 1117
DEVICE_NOT_CONNECTED = 1167

MEDIUM = frozenset({CRC, SECTOR_NOT_FOUND, SEM_TIMEOUT, IO_DEVICE})
"""Sectors that a drive does not give back: a wrong checksum, a sector that is not found, a command
that took too long, an error of the device. The drive is still there."""

GONE = frozenset({NOT_READY, DEV_NOT_EXIST, NO_SUCH_DEVICE, DEVICE_NOT_CONNECTED})
"""The drive, or its medium, is not there any more."""

NOT_OPENED = frozenset({FILE_NOT_FOUND, PATH_NOT_FOUND, ACCESS_DENIED})
"""Nothing is there by that name, or this user may not read it."""

_WORDS = {
    FILE_NOT_FOUND: say("there is no such device"),
    PATH_NOT_FOUND: say("there is no such device"),
    ACCESS_DENIED: say("access is denied"),
    NOT_READY: say("the drive is not ready"),
    CRC: say("data error (cyclic redundancy check)"),
    SECTOR_NOT_FOUND: say("the drive cannot find the sector"),
    SHARING_VIOLATION: say("another program holds it open and shares it with nobody"),
    DEV_NOT_EXIST: say("the device is no longer available"),
    SEM_TIMEOUT: say("the drive did not answer in time"),
    NO_SUCH_DEVICE: say("the device does not exist any more"),
    IO_DEVICE: say("I/O device error"),
    DEVICE_NOT_CONNECTED: say("the drive is not connected"),
}


class Refusal(OSError):
    """A call that Windows refused; `code` is the number of its error."""

    def __init__(self, code: int) -> None:
        """Keep the number, and its meaning in words."""
        words = _WORDS.get(code)
        reason = (
            say("error {code} of Windows", code=code)
            if words is None
            else say("{words} (error {code} of Windows)", words=words, code=code)
        )
        super().__init__(None, reason)
        self.code = code


def opening_refused(refusal: Refusal) -> OSError:
    """Return the error that `Platform.open_device` raises for a refused CreateFile."""
    if refusal.code in {FILE_NOT_FOUND, PATH_NOT_FOUND}:
        return FileNotFoundError(None, refusal.strerror)
    if refusal.code == ACCESS_DENIED:
        return PermissionError(None, refusal.strerror)
    return refusal
