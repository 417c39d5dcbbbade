r"""Windows: files that may be renamed while they are open, locks, and who may read a file.

A lock on a file is that of LockFileEx, on a byte that no file reaches: it keeps nobody from reading
what is locked, and holds between machines that share the drive. A folder takes no such lock: it is
held by a mutex named after the folder's own number, which the folder keeps as it is renamed. That
holds on one machine, so that a folder on a network drive has no lock. Windows lets go of either
when the process ends.

A path may have more than 260 characters: this process says of itself that it is made for such, as
a program's manifest does ("Maximum Path Length Limitation"), but whether or not the computer's
settings allow it, by the bit that the manifest sets. GUESS: no documentation names that bit; Go's
runtime sets it for each of its programs (`initLongPathSupport` in its `os_windows.go`).

Sources: Microsoft Learn, "CreateFileW", "LockFileEx", "CreateMutexW" ("Global\"), "GetDriveTypeW".
Tried under Wine, which bounds no path.
"""

from __future__ import annotations

import ctypes
import os
import stat
import sys
from contextlib import suppress
from ctypes import c_uint32
from pathlib import Path
from typing import Any, Literal

from verify.platforms.platform import APPLICATION, Platform
from verify.platforms.windows import access
from verify.platforms.windows.names import allows_name
from verify.platforms.windows.system_calls import (
    GENERIC_READ,
    INVALID_HANDLE,
    OPEN_EXISTING,
    SHARE_ALL,
    Overlapped,
    failed,
    last_error,
    library,
    pointer,
)

_GENERIC_WRITE = 0x40000000
_BACKUP_SEMANTICS, _OPEN_REPARSE_POINT = 0x02000000, 0x00200000
"""A folder is opened as well; of a link, the link itself."""

_EXCLUSIVE_AT_ONCE = 0x3
"""LOCKFILE_EXCLUSIVE_LOCK and LOCKFILE_FAIL_IMMEDIATELY."""

_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_LOCKED_BYTE = 1 << 62
_LOCK_VIOLATION, _ACCESS_DENIED, _ALREADY_EXISTS = 33, 5, 183
_DRIVE_REMOTE = 4
_PROCESS_FLAGS_AT, _IS_LONG_PATH_AWARE = 3, 0x80
"""In the process environment block: BitField, and IsLongPathAwareProcess in it."""

_FIRST_BUILD = 15063
"""Of Windows 10, version 1703; before that the bit may mean something else."""

_LONG, _LONG_SHARE = "\\\\?\\", "\\\\?\\UNC\\"
"""What a path begins with that may be of any length, and one on a network drive."""


class WindowsFiles(Platform):
    """Files, folders and their locks on Windows."""

    has_locks = True

    def __init__(self) -> None:
        """No folder is held yet."""
        self._held_folders: dict[int, int] = {}

    def open_to_look(self, path: Path) -> int:
        """Open a file or a folder, so that it may be renamed or taken away meanwhile."""
        return _descriptor(path, GENERIC_READ)

    def open_to_rename(self, handle: int, path: Path) -> int:
        """Open a file that was just made once more, so that it may be renamed while it is open."""
        made = os.fstat(handle)
        os.close(handle)
        opened = _descriptor(path, GENERIC_READ | _GENERIC_WRITE)
        if not os.path.samestat(made, os.fstat(opened)):
            os.close(opened)
            raise FileNotFoundError(None, "another file stands there by now", str(path))
        return opened

    def lock(self, handle: int) -> bool | None:
        """Lock an open file or folder; a folder on a network drive has no lock."""
        status = os.fstat(handle)
        if not stat.S_ISDIR(status.st_mode):
            return _lock_file(handle)
        if _on_network(handle):
            return None
        mutex = _take_mutex(f"Global\\{APPLICATION}-{status.st_dev:x}-{status.st_ino:x}")
        if mutex is None:
            return False
        self._held_folders[handle] = mutex
        return True

    def let_go(self, handle: int) -> None:
        """Close a file or folder, which unlocks it."""
        mutex = self._held_folders.pop(handle, None)
        if mutex is not None:
            library("kernel32").CloseHandle(pointer(mutex))
        os.close(handle)

    def keep_private(self, handle: int, folder: Path, mode: int) -> None:  # noqa: ARG002 - as POSIX has it
        """Let nobody else use a file that its mode gives to its owner alone, where that is kept."""
        path = self.path_of(handle)
        if path is not None and not mode & _OTHERS:
            with suppress(OSError):
                access.make_private(path)

    def hand_over_folder(self, folder: Path) -> None:
        """Keep a new folder private; it has its owner already."""
        self.keep_folder_private(folder)

    def keep_folder_private(self, folder: Path) -> None:
        """Let nobody else use a new folder, nor what will be made in it, where that is kept."""
        with suppress(OSError):
            access.make_private(folder, inherited=True)

    def others_may_use(self, path: Path, mode: int) -> bool:  # noqa: ARG002 - none is kept here
        """Whether a file's list lets others in; a drive without lists lets in everybody."""
        return access.others_may_use(path)

    def real_path(self, path: Path) -> Path:
        """Return the absolute path that a path leads to.

        Where Windows follows no links, they stay in it (Wine does so up to 260 characters only).
        """
        try:
            return path.resolve()
        except OSError:
            return Path(os.path.abspath(path))  # noqa: PTH100 - takes `..` out

    def allows_name(self, path: Path) -> bool:
        """Whether Windows takes no name of that path for a device, nor changes it."""
        return allows_name(str(path))

    def path_of(self, descriptor: int) -> str | None:
        """Return the path of an open file."""
        path = _final_path(descriptor)
        if path is not None and path.startswith(_LONG_SHARE):
            return "\\\\" + path.removeprefix(_LONG_SHARE)
        return None if path is None else path.removeprefix(_LONG)

    def user_folder(self, purpose: Literal["data", "settings"]) -> Path:  # noqa: ARG002 - one for both
        """Return this program's folder among a user's data of applications."""
        named = os.environ.get("LOCALAPPDATA")
        return Path(named or Path.home() / "AppData/Local") / APPLICATION


def allow_long_paths() -> None:
    """Let paths of this process have more than 260 characters."""
    system: Any = sys  # of its own names only Windows has these
    if system.getwindowsversion().build >= _FIRST_BUILD:
        block = library("ntdll").RtlGetCurrentPeb()
        flags = ctypes.c_uint8.from_address(block + _PROCESS_FLAGS_AT)
        flags.value |= _IS_LONG_PATH_AWARE


def _system_handle(descriptor: int) -> Any:
    import msvcrt  # noqa: PLC0415 - of Windows alone

    runtime: Any = msvcrt
    return pointer(runtime.get_osfhandle(descriptor))


def _descriptor(path: Path, access: int) -> int:
    import msvcrt  # noqa: PLC0415 - of Windows alone

    runtime: Any = msvcrt
    made = library("kernel32").CreateFileW(
        str(path),
        c_uint32(access),
        SHARE_ALL,
        None,
        OPEN_EXISTING,
        _BACKUP_SEMANTICS | _OPEN_REPARSE_POINT,
        None,
    )
    if made in {None, INVALID_HANDLE}:
        raise failed(path)
    return int(runtime.open_osfhandle(made, getattr(os, "O_NOINHERIT", 0)))


def _lock_file(handle: int) -> bool | None:
    place = Overlapped(Offset=_LOCKED_BYTE)
    locked = library("kernel32").LockFileEx(
        _system_handle(handle), _EXCLUSIVE_AT_ONCE, 0, 1, 0, ctypes.byref(place)
    )
    if locked:
        return True
    return False if last_error() == _LOCK_VIOLATION else None


def _take_mutex(name: str) -> int | None:
    """Make a mutex of that name; `None`: there is one, of this account or another."""
    kernel = library("kernel32")
    mutex = kernel.CreateMutexW(None, 0, name)
    error = last_error()
    if mutex and error != _ALREADY_EXISTS:
        return int(mutex)
    if mutex:
        kernel.CloseHandle(pointer(mutex))
    elif error != _ACCESS_DENIED:
        raise failed()
    return None


def _final_path(descriptor: int) -> str | None:
    room = ctypes.create_unicode_buffer(1 << 15)
    length = library("kernel32").GetFinalPathNameByHandleW(
        _system_handle(descriptor), room, len(room), 0
    )
    return room.value if length else None


def _on_network(descriptor: int) -> bool:
    path = _final_path(descriptor) or ""
    if path.startswith(_LONG_SHARE):
        return True
    root = path.removeprefix(_LONG)[:3]
    return bool(library("kernel32").GetDriveTypeW(root) == _DRIVE_REMOTE)
