"""A boot store: its objects and elements, and every device element in its place.

Source: Microsoft Learn (previous versions), the BCD reference: element and object types. The
hive's shape and the bytes of device elements are reverse-engineered: docs/formats/bcd.md.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from verify.boot.device import read_device
from verify.boot.hive import (
    REG_BINARY,
    REG_MULTI_SZ,
    REG_SZ,
    Budget,
    Hive,
    Key,
    Value,
)
from verify.boot.reach import follow
from verify.boot.store_record import BootStore, Element, ElementValue, StoreObject
from verify.errors import StructureError, TooMuch
from verify.text.message import say
from verify.units import MIB

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_BYTES = 4 * MIB
"""The largest store read; the two real ones seen hold 20 and 32 KiB."""

_BUDGET_STEPS = 50_000
_BUDGET_BYTES = 8 * MIB
_BUDGET_SECONDS = 10.0

_GUID = re.compile(r"\{?([0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})\}?")
_NUMBER = re.compile(r"[0-9A-Fa-f]{8}")
_DESCRIPTION = "12000004"

_DEVICE = 1
_INTEGER_BYTES = 8


def read_store(data: bytes, path: str = "", logs: tuple[str, ...] = ()) -> BootStore:
    """Read a boot store.

    Args:
        data: the whole hive, at most `MOST_BYTES`.
        path: where it lies on its partition.
        logs: paths of the transaction logs beside it that hold anything.

    Raises:
        StructureError: the bytes are no hive, its root cannot be read, or it has no objects.
    """
    if len(data) > MOST_BYTES:
        raise StructureError(
            say("boot store"),
            0,
            say("size"),
            say("{size} bytes at most", size=MOST_BYTES),
            str(len(data)),
        )
    hive = Hive(data, logs=logs, budget=Budget(_BUDGET_STEPS, _BUDGET_BYTES, _BUDGET_SECONDS))
    objects: list[StoreObject] = []
    try:
        folder = hive.root.key("Objects")
        if folder is None:
            raise StructureError(
                say("boot store"), 0, "Objects", say("a readable key"), say("none")
            )
        objects.extend(read for key in folder.subkeys() if (read := _object(hive, key)) is not None)
    except TooMuch as error:
        hive.give_up(error)
    references, missing = follow(tuple(objects))
    return BootStore(
        path=path,
        state=hive.state,
        objects=tuple(objects),
        references=references,
        missing=missing,
        problems=tuple(hive.problems),
    )


def guid_of(text: str) -> str | None:
    """Return a GUID written with or without braces in upper case without, else `None`."""
    found = _GUID.fullmatch(text)
    return found[1].upper() if found else None


def _object(hive: Hive, key: Key) -> StoreObject | None:
    guid = guid_of(key.name)
    if guid is None:
        hive.note(say("an object is called {name}, which is not a GUID", name=repr(key.name)))
        return None
    described = key.descend("Description")
    type_ = described and described.value("Type")
    number = type_.number if type_ else None
    folder = key.key("Elements")
    elements = tuple(
        read
        for child in (folder.subkeys() if folder else ())
        if (read := _element(hive, child)) is not None
    )
    name = next((item.value for item in elements if item.number == _DESCRIPTION), None)
    return StoreObject(
        guid=guid,
        type=None if number is None else f"{number:08X}",
        description=name if isinstance(name, str) else None,
        elements=elements,
    )


def _element(hive: Hive, key: Key) -> Element | None:
    if not _NUMBER.fullmatch(key.name):
        hive.note(
            say("an element is called {name}, which is not an element type", name=repr(key.name))
        )
        return None
    number = key.name.upper()
    stored = key.value("Element")
    if stored is None:
        hive.note(say("{path} holds no element", path=key.path))
        return None
    # SPEC: BcdElementType: the format is bits 24..27 of an element's type.
    format_ = int(number[1], 16)
    if format_ == _DEVICE and stored.type == REG_BINARY:
        return Element(number=number, device=read_device(stored.data))
    type_, read = _FORMATS.get(format_, (None, None))
    if read is not None and stored.type == type_ and (value := read(stored)) is not None:
        return Element(number=number, value=value)
    return Element(number=number, raw=stored.data.hex().upper())


def _objects(stored: Value) -> ElementValue:
    texts = stored.texts
    guids = tuple(guid for text in texts or () if (guid := guid_of(text)) is not None)
    return None if texts is None or len(guids) != len(texts) else guids


def _integer(stored: Value) -> ElementValue:
    if not 0 < len(stored.data) <= _INTEGER_BYTES:
        return None
    return int.from_bytes(stored.data, "little")


def _integers(stored: Value) -> ElementValue:
    if len(stored.data) % _INTEGER_BYTES:
        return None
    return tuple(
        int.from_bytes(stored.data[at : at + _INTEGER_BYTES], "little")
        for at in range(0, len(stored.data), _INTEGER_BYTES)
    )


_FORMATS: dict[int, tuple[int, Callable[[Value], ElementValue]]] = {
    2: (REG_SZ, lambda stored: stored.text),
    3: (REG_SZ, lambda stored: guid_of(stored.text or "")),
    4: (REG_MULTI_SZ, _objects),
    5: (REG_BINARY, _integer),
    6: (REG_BINARY, lambda stored: any(stored.data) if len(stored.data) == 1 else None),
    7: (REG_BINARY, _integers),
}
"""By format: the registry type it is stored as, and how it is read; `None`: not of that form."""
