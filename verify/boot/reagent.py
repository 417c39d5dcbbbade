"""The recovery configuration, ReAgent.xml: where the recovery environment is said to be.

No schema of it is published. Meaning and form are reverse-engineered from real files
(docs/formats/reagent.md). Elements come and go between builds of Windows: they are read by name,
unknown ones are kept as text, missing ones tolerated.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from verify.boot.bcd import guid_of
from verify.boot.boot_record import RecoveryConfig, RecoveryLocation, Setting
from verify.errors import StructureError
from verify.text.message import say
from verify.units import KIB

MOST_BYTES = 64 * KIB
"""The largest file read; the real ones seen hold about 1 KiB."""

_STRUCTURE = say("recovery configuration")
_ROOT = "WindowsRE"
_ELEMENT_DEPTH = 2
_LONGEST_NUMBER = 20
_NO_GUID = "00000000-0000-0000-0000-000000000000"


@dataclass(slots=True)
class _Found:
    """What the parser came by: the root's attributes, and the elements right below it."""

    root: dict[str, str] | None = None
    elements: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    depth: int = 0

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        if self.depth == 1:
            if name != _ROOT:
                raise _wrong(say("root element"), _ROOT, ascii(name[:40]))
            self.root = attributes
        elif self.depth == _ELEMENT_DEPTH:
            self.elements.append((name, attributes))

    def end(self, _name: str) -> None:
        self.depth -= 1


def read_recovery_config(data: bytes, path: str = "") -> RecoveryConfig:
    """Read a recovery configuration.

    Args:
        data: the whole file, at most `MOST_BYTES`; UTF-8 or UTF-16, with a byte-order mark or not.
        path: where it lies on its partition.

    Raises:
        StructureError: it is too large, no well-formed XML, has a document type (nothing is ever
            expanded or fetched), or is another document.
    """
    if len(data) > MOST_BYTES:
        raise _wrong(say("size"), say("{size} bytes at most", size=MOST_BYTES), str(len(data)))
    found = _parse(data)
    named = dict(reversed(found.elements))  # the first of equal names
    state = named.get("InstallState", {}).get("state")
    store_object = guid_of(named.get("WinreBCD", {}).get("id", "")) or _NO_GUID
    return RecoveryConfig(
        path=path,
        version=(found.root or {}).get("version"),
        enabled={"1": True, "0": False}.get(state or ""),
        store_object=None if store_object == _NO_GUID else store_object,
        locations=tuple(
            _location(name, attributes)
            for name, attributes in found.elements
            if "offset" in attributes
        ),
        settings=tuple(
            Setting(name=name, attribute=attribute, value=value)
            for name, attributes in found.elements
            if "offset" not in attributes and name not in ("InstallState", "WinreBCD")
            for attribute, value in attributes.items()
        ),
    )


def _parse(data: bytes) -> _Found:
    # NOTE: a byte-order mark decides, whatever the declaration says.
    marked = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    parser = expat.ParserCreate("utf-16" if marked else None)
    found = _Found()
    parser.StartElementHandler = found.start
    parser.EndElementHandler = found.end
    parser.StartDoctypeDeclHandler = _refuse_doctype
    try:
        parser.Parse(data, True)  # noqa: FBT003 - the whole document at once
    except expat.ExpatError as error:
        raise _wrong("XML", say("well-formed"), str(error)) from error
    except (LookupError, ValueError) as error:
        raise _wrong(say("encoding"), say("UTF-8 or UTF-16"), str(error)) from error
    return found


def _refuse_doctype(*_declaration: object) -> NoReturn:
    # NOTE: entities, inner and outer, can only be declared in a document type.
    raise _wrong(say("document type"), say("none"), say("one"))


def _location(name: str, attributes: dict[str, str]) -> RecoveryLocation:
    guid = guid_of(attributes.get("guid", ""))
    return RecoveryLocation(
        element=name,
        path=attributes.get("path", ""),
        offset=_number(attributes.get("offset")),
        id=_number(attributes.get("id")),
        guid=None if guid == _NO_GUID else guid,
        index=_number(attributes.get("index")),
    )


def _number(text: str | None) -> int | None:
    """Return a decimal number as written by a machine, or `None`."""
    if text is None or len(text) > _LONGEST_NUMBER or not (text.isascii() and text.isdigit()):
        return None
    return int(text)


def _wrong(what: str, expected: str, got: str) -> StructureError:
    return StructureError(_STRUCTURE, 0, what, expected, got)
