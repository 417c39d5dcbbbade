"""What is asked of Windows itself: kernel32 through ctypes, a method a question.

Drives are opened with GENERIC_READ and full sharing, volumes for their place with no right at all.
No control code is sent that changes anything: `READING_CODES` are all. Sources: Microsoft Learn,
"CreateFileW", "ReadFile" (an OVERLAPPED gives the place, also of a handle that is synchronous),
"DeviceIoControl", "FindFirstVolumeW", "GetVolumePathNamesForVolumeNameW", "QueryDosDeviceW".
"""

from __future__ import annotations

import ctypes
import os
from ctypes import byref, c_uint32, c_uint64, c_void_p, c_wchar_p
from typing import Any

from verify.platforms.windows.refusal import HANDLE_EOF, INSUFFICIENT_BUFFER, MORE_DATA, Refusal
from verify.platforms.windows.system_calls import (
    INVALID_HANDLE,
    OPEN_EXISTING,
    SHARE_ALL,
    Overlapped,
)
from verify.structs import windows_storage as tables

READING_CODES = frozenset(
    {
        tables.IOCTL_DISK_GET_LENGTH_INFO,
        tables.IOCTL_DISK_IS_WRITABLE,
        tables.IOCTL_DISK_GET_DRIVE_GEOMETRY_EX,
        tables.IOCTL_STORAGE_GET_DEVICE_NUMBER,
        tables.IOCTL_STORAGE_QUERY_PROPERTY,
        tables.IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS,
        tables.FSCTL_ALLOW_EXTENDED_DASD_IO,
    }
)

NO_RIGHTS = 0
_ALIGNMENT = 4096
"""Of the buffer that is read into: no drive's sectors are larger ("File Buffering")."""

_FIRST_ROOM = 1024
_MOST_ROOM = 1 << 20
_NAME_UNITS = 1 << 15
_DEVICE_UNITS = 1 << 18


class Kernel:
    """Windows; loaded when it is first asked, so that other systems can import this."""

    def __init__(self) -> None:
        """Load kernel32, and name the sorts of what goes in and out where ints will not do."""
        system: Any = ctypes  # of its own names only Windows has these
        library = system.WinDLL("kernel32", use_last_error=True)
        library.CreateFileW.restype = c_void_p
        library.CreateFileW.argtypes = (
            *(c_wchar_p, c_uint32, c_uint32, c_void_p, c_uint32, c_uint32, c_void_p),
        )
        library.DeviceIoControl.argtypes = (
            *(c_void_p, c_uint32, c_void_p, c_uint32, c_void_p, c_uint32, c_void_p, c_void_p),
        )
        library.ReadFile.argtypes = (c_void_p, c_void_p, c_uint32, c_void_p, c_void_p)
        library.GetFileSizeEx.argtypes = (c_void_p, c_void_p)
        library.CloseHandle.argtypes = (c_void_p,)
        library.FindFirstVolumeW.restype = c_void_p
        library.FindFirstVolumeW.argtypes = (c_void_p, c_uint32)
        library.FindNextVolumeW.argtypes = (c_void_p, c_void_p, c_uint32)
        library.FindVolumeClose.argtypes = (c_void_p,)
        library.GetVolumePathNamesForVolumeNameW.argtypes = (
            c_wchar_p,
            c_void_p,
            c_uint32,
            c_void_p,
        )
        library.GetVolumePathNameW.argtypes = (c_wchar_p, c_void_p, c_uint32)
        library.GetVolumeNameForVolumeMountPointW.argtypes = (c_wchar_p, c_void_p, c_uint32)
        library.QueryDosDeviceW.argtypes = (c_wchar_p, c_void_p, c_uint32)
        self._library = library
        self._last_error = system.get_last_error

    def _held(self, answer: object) -> Any:
        """Return an answer, or raise the error of GetLastError where there was none."""
        if not answer or answer == INVALID_HANDLE:
            raise Refusal(self._last_error())
        return answer

    def open(self, path: str, rights: int) -> int:
        """Open a device that is there.

        Raises:
            Refusal: Windows does not open it.
        """
        opened = self._library.CreateFileW(path, rights, SHARE_ALL, None, OPEN_EXISTING, 0, None)
        return int(self._held(opened))

    def close(self, handle: int) -> None:
        """Let go of a device."""
        self._library.CloseHandle(handle)

    def ask(self, handle: int, code: int, given: bytes = b"") -> bytes:
        """Send a control code with its input, and return the answer.

        Raises:
            Refusal: the device does not answer.
        """
        if code not in READING_CODES:
            raise ValueError(f"control code {code:#x} is not one that only asks")
        room, got = _FIRST_ROOM, c_uint32()
        while True:
            answer = ctypes.create_string_buffer(room)
            done = self._library.DeviceIoControl(
                handle, code, given or None, len(given), answer, room, byref(got), None
            )
            if done:
                return answer.raw[: got.value]
            error = self._last_error()
            if error not in {MORE_DATA, INSUFFICIENT_BUFFER} or room >= _MOST_ROOM:
                raise Refusal(error)
            room *= 8

    def read(self, handle: int, length: int, offset: int) -> bytes:
        """Return up to `length` bytes from byte `offset`, both whole sectors.

        Raises:
            Refusal: they cannot be read.
        """
        room = ctypes.create_string_buffer(length + _ALIGNMENT)
        place = ctypes.addressof(room)
        place += -place % _ALIGNMENT
        at, got = Overlapped(Offset=offset), c_uint32()
        if not self._library.ReadFile(handle, place, length, byref(got), byref(at)):
            error = self._last_error()
            if error == HANDLE_EOF:
                return b""
            raise Refusal(error)
        return ctypes.string_at(place, got.value)

    def file_size(self, handle: int) -> int:
        """Return the length of what is a file and no device, though it has a device's name.

        Raises:
            Refusal: it is a device.
        """
        size = c_uint64()
        self._held(self._library.GetFileSizeEx(handle, byref(size)))
        return size.value

    def volumes(self) -> list[str]:
        r"""Return the names of all volumes, such as `\\?\Volume{GUID}\`.

        Raises:
            Refusal: Windows does not list them.
        """
        name = ctypes.create_unicode_buffer(_NAME_UNITS)
        search = self._held(self._library.FindFirstVolumeW(name, _NAME_UNITS))
        found = [name.value]
        while self._library.FindNextVolumeW(search, name, _NAME_UNITS):
            found.append(name.value)
        self._library.FindVolumeClose(search)
        return found

    def mount_points(self, volume: str) -> list[str]:
        r"""Return where a volume is mounted: letters such as `C:\`, and folders.

        Raises:
            Refusal: there is no such volume.
        """
        names, got = ctypes.create_unicode_buffer(_NAME_UNITS), c_uint32()
        self._held(
            self._library.GetVolumePathNamesForVolumeNameW(volume, names, _NAME_UNITS, byref(got))
        )
        return [name for name in ctypes.wstring_at(names, got.value).split("\0") if name]

    def volume_of(self, path: str) -> str:
        """Return the name of the volume that a file lies on.

        Raises:
            Refusal: on none that is local.
        """
        point = ctypes.create_unicode_buffer(_NAME_UNITS)
        self._held(self._library.GetVolumePathNameW(path, point, _NAME_UNITS))
        name = ctypes.create_unicode_buffer(_NAME_UNITS)
        self._held(self._library.GetVolumeNameForVolumeMountPointW(point.value, name, _NAME_UNITS))
        return name.value

    def device_names(self) -> list[str]:
        """Return the names of all devices, without their namespace.

        Raises:
            Refusal: Windows does not list them.
        """
        names = ctypes.create_unicode_buffer(_DEVICE_UNITS)
        count = self._held(self._library.QueryDosDeviceW(None, names, _DEVICE_UNITS))
        return [name for name in ctypes.wstring_at(names, count).split("\0") if name]

    def system_letter(self) -> str:
        """Return the letter of the volume that the running system is on."""
        return os.environ.get("SYSTEMDRIVE", "C:")

    def trim_is_off(self) -> bool:
        """Whether NTFS was told to send no TRIM (what `fsutil behavior` sets; from memory)."""
        import winreg  # noqa: PLC0415 - of Windows alone

        registry: Any = winreg
        place = r"SYSTEM\CurrentControlSet\Control\FileSystem"
        with registry.OpenKey(registry.HKEY_LOCAL_MACHINE, place) as key:
            try:
                return bool(registry.QueryValueEx(key, "DisableDeleteNotification")[0])
            except FileNotFoundError:
                return False
