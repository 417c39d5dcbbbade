"""Windows: who may use a file. It keeps no modes; a list of who may do what stands with each file.

What this program writes is for its account, the system and administrators alone, who may take
anything anyhow; nothing is inherited from the folder. A FAT stick keeps no such list. Sources:
Microsoft Learn, "SetFileSecurityW", "GetFileSecurityW", "Security Descriptor String Format", "ACE
Strings", "SID Strings". Tried under Wine.
"""

from __future__ import annotations

import ctypes
import re
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING

from verify.platforms.windows.system_calls import failed, library, pointer

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_DACL, _PROTECTED = 0x4, 0x80000000
"""DACL_SECURITY_INFORMATION, and PROTECTED_DACL_SECURITY_INFORMATION: nothing is inherited."""

_TOKEN_QUERY, _TOKEN_USER = 0x8, 1
_REVISION = 1
_ROOM = 1 << 16

_ENTRY = re.compile(r"\(" + ";".join([r"([^;()]*)"] * 6))
"""Its sort, flags and rights, two that are not looked at, and who it is for."""

_SYSTEM_AND_ADMINISTRATORS = ("SY", "BA")
_NOT_OTHERS = frozenset({"SY", "BA", "S-1-5-18", "S-1-5-32-544", "OW", "S-1-3-4"})
"""The system, administrators, and whoever owns the file."""


def private(account: str, *, inherited: bool = False) -> str:
    """Return the list, as text, that lets in an account, the system and administrators alone.

    `inherited`: what is made in the folder gets it, too.
    """
    flags = "OICI" if inherited else ""
    names = (*_SYSTEM_AND_ADMINISTRATORS, account)
    return "D:P" + "".join(f"(A;{flags};FA;;;{name})" for name in names)


def lets_others_in(told: str, account: str) -> bool:
    """Whether a list, as text, lets in anybody else than `account` and `_NOT_OTHERS`.

    A file without a list is everybody's, and so is one whose list cannot be understood.
    """
    _, sign, entries = told.partition("D:")
    entries = entries.partition("S:")[0]
    if not sign or "NO_ACCESS_CONTROL" in entries:
        return True
    for sort, flags, rights, _, _, name in _ENTRY.findall(entries):
        only_handed_on = "IO" in re.findall("..", flags)
        if "A" in sort and rights and not only_handed_on and name not in {account, *_NOT_OTHERS}:
            return True
    return False


def make_private(path: str | Path, *, inherited: bool = False) -> None:
    """Give a file or a folder to this account, the system and administrators alone.

    Raises:
        OSError: the drive keeps no such lists, or Windows refuses.
    """
    with _descriptor(private(_own_account(), inherited=inherited)) as descriptor:
        done = library("advapi32").SetFileSecurityW(
            str(path), ctypes.c_uint32(_DACL | _PROTECTED), descriptor
        )
    if not done:
        raise failed(path)


def others_may_use(path: Path) -> bool:
    """Whether anybody else than this account, the system and administrators may use a file.

    Raises:
        OSError: Windows does not say.
    """
    room, needed = ctypes.create_string_buffer(_ROOM), ctypes.c_uint32()
    if not library("advapi32").GetFileSecurityW(
        str(path), _DACL, room, _ROOM, ctypes.byref(needed)
    ):
        raise failed(path)
    # NOTE: Windows has short names for some accounts; ours is compared as it would be written.
    with _descriptor(private(_own_account())) as own:
        account = _ENTRY.findall(_as_text(own))[-1][-1]
    return lets_others_in(_as_text(room), account)


@cache
def _own_account() -> str:
    """Return the number of this account (SID)."""
    token, told = ctypes.c_void_p(), ctypes.c_wchar_p()
    room, needed = ctypes.create_string_buffer(_ROOM), ctypes.c_uint32()
    kernel, security = library("kernel32"), library("advapi32")
    process = pointer(kernel.GetCurrentProcess())
    if not security.OpenProcessToken(process, _TOKEN_QUERY, ctypes.byref(token)):
        raise failed()
    try:
        if not (
            security.GetTokenInformation(token, _TOKEN_USER, room, _ROOM, ctypes.byref(needed))
            and security.ConvertSidToStringSidW(
                ctypes.c_void_p.from_buffer(room), ctypes.byref(told)
            )
        ):
            raise failed()
        return _taken(told)
    finally:
        kernel.CloseHandle(token)


@contextmanager
def _descriptor(text: str) -> Iterator[ctypes.c_void_p]:
    made = ctypes.c_void_p()
    if not library("advapi32").ConvertStringSecurityDescriptorToSecurityDescriptorW(
        text, _REVISION, ctypes.byref(made), None
    ):
        raise failed()
    try:
        yield made
    finally:
        library("kernel32").LocalFree(made)


def _as_text(descriptor: object) -> str:
    told = ctypes.c_wchar_p()
    if not library("advapi32").ConvertSecurityDescriptorToStringSecurityDescriptorW(
        descriptor, _REVISION, _DACL, ctypes.byref(told), None
    ):
        raise failed()
    return _taken(told)


def _taken(told: ctypes.c_wchar_p) -> str:
    """Return a text that Windows made, and give its room back."""
    text = told.value or ""
    library("kernel32").LocalFree(told)
    return text
