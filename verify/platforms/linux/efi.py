"""The firmware's start-up entries: which there are, in which order, and what they name.

SPEC: UEFI 2.10, sections 3.1 to 3.3. Linux hands a variable out as a file, its 32 bits of
attributes before its data (fs/efivarfs/file.c).
"""

from __future__ import annotations

import re
import struct
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.platforms.running_machine import BootEntry, Firmware
from verify.structs import efi
from verify.structs.gpt import guid_text
from verify.text.message import say
from verify.text.system_words import system_words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_ATTRIBUTES_BYTES = 4
_LONGEST_BYTES = 64 << 10
"""No variable of a real machine comes near it."""

_ENTRY = re.compile(rf"Boot([0-9A-F]{{4}})-{efi.GLOBAL_VARIABLES}")


def read_firmware(sys: Path) -> Firmware:
    """Return the start-up entries of this machine; `sys`: where sysfs is."""
    folder = sys / "firmware/efi/efivars"
    if not (sys / "firmware/efi").is_dir():
        return Firmware(
            untold=say("this system was not started by UEFI, and a BIOS does not report its choice")
        )
    try:
        names = sorted(path.name for path in folder.iterdir())
    except OSError as error:
        return Firmware(
            untold=say("its variables cannot be read: {reason}", reason=system_words(error))
        )
    if not names:
        return Firmware(untold=say("no variables are shown (efivarfs is not mounted)"))
    entries = []
    for name in names:
        if found := _ENTRY.fullmatch(name):
            data = _variable(folder / name)
            entries.append(
                _unreadable(found[1]) if data is None else parse_load_option(found[1], data)
            )
    current = _numbers(_variable(folder / f"BootCurrent-{efi.GLOBAL_VARIABLES}"))
    return Firmware(
        entries=tuple(entries),
        order=_numbers(_variable(folder / f"BootOrder-{efi.GLOBAL_VARIABLES}")),
        current=current[0] if current else None,
    )


def _unreadable(number: str) -> BootEntry:
    return BootEntry(number=number, description="", active=False, problem=say("it cannot be read"))


def _variable(path: Path) -> bytes | None:
    try:
        with path.open("rb") as file:
            return file.read(_LONGEST_BYTES)[_ATTRIBUTES_BYTES:]
    except OSError:
        return None


def _numbers(data: bytes | None) -> tuple[str, ...]:
    """Return the numbers of entries in BootOrder or BootCurrent: UINT16 each."""
    whole = (data or b"")[: len(data or b"") // 2 * 2]
    return tuple(f"{number:04X}" for (number,) in struct.iter_unpack("<H", whole))


def parse_load_option(number: str, data: bytes) -> BootEntry:
    """Return what an EFI_LOAD_OPTION says; whatever its bytes are, it is an entry.

    Args:
        number: the four hex digits of its name.
        data: the variable's data, without attributes.
    """
    try:
        head = efi.LOAD_OPTION.parse(data)
    except StructureError as error:
        return BootEntry(number=number, description="", active=False, problem=str(error))
    words, rest = _text(data[efi.LOAD_OPTION.size :])
    active = bool(head.number("Attributes") & efi.ACTIVE)
    length = head.number("FilePathListLength")
    if words is None or len(rest) < length:
        return BootEntry(
            number=number,
            description=words or "",
            active=active,
            problem=say("it ends before its device path does"),
        )
    partition: str | None = None
    file: str | None = None
    problem: str | None = None
    try:
        for kind, sub, node in _nodes(rest[:length]):
            if kind == efi.MEDIA_DEVICE_PATH and sub == efi.HARD_DRIVE and partition is None:
                partition = _signature(node)
            elif kind == efi.MEDIA_DEVICE_PATH and sub == efi.FILE_PATH and file is None:
                file = _text(node[efi.NODE.size :] + b"\0\0")[0]
    except StructureError as error:
        problem = str(error)
    return BootEntry(
        number=number,
        description=words,
        active=active,
        partition=partition,
        file=file,
        problem=problem,
    )


def _text(data: bytes) -> tuple[str | None, bytes]:
    """Return a text of UTF-16LE up to its zero, and what follows; `None` where none ends."""
    for at in range(0, len(data) - 1, 2):
        if data[at : at + 2] == b"\0\0":
            return data[:at].decode("utf-16-le", "replace"), data[at + 2 :]
    return None, b""


def _nodes(path: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Yield type, sub-type and bytes of each node, up to the first end.

    Raises:
        StructureError: a node does not fit.
    """
    at = 0
    while at < len(path):
        node = efi.NODE.parse(path[at:], at)
        length = node.number("Length")
        if node.number("Type") == efi.END_OF_PATH:
            return
        if not efi.NODE.size <= length <= len(path) - at:
            left = f"{efi.NODE.size} to {len(path) - at}"
            raise StructureError(efi.NODE.name, at, "Length", left, str(length))
        yield node.number("Type"), node.number("SubType"), path[at : at + length]
        at += length


def _signature(node: bytes) -> str | None:
    """Return what a hard drive node names its partition by.

    Raises:
        StructureError: it is too short.
    """
    record = efi.HARD_DRIVE_NODE.parse(node)
    signature, kind = record.raw("PartitionSignature"), record.number("SignatureType")
    if kind == efi.GUID_SIGNATURE:
        return guid_text(signature)
    if kind == efi.MBR_SIGNATURE:
        return f"{int.from_bytes(signature[:4], 'little'):08X}"
    return None
