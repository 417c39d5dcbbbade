"""Holding a file against its own format: registry hives, programs, images, configurations.

Files are read in steps of at most `STEP_BYTES`, through a function that is handed in, so that a
hive of half a gigabyte takes no memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from xml.parsers import expat

from verify.boot import hive_form, image_form, program_form
from verify.boot.file_form import FileForm, Form
from verify.boot.form_reading import FormReading
from verify.errors import StructureError
from verify.text.message import say
from verify.units import MIB

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.boot.form_reading import Read

MOST_TEXT_BYTES = MIB
"""The largest configuration that is read; nobody writes a larger one by hand."""

_UTF_16 = (b"\xff\xfe", b"\xfe\xff")


def examine_form(path: str, form: Form, size_bytes: int, read: Read, *, whole: bool) -> FileForm:
    """Hold a file against the format that its name promises.

    Args:
        path: where it lies on its partition.
        form: the format.
        size_bytes: its length.
        read: gives the bytes at an offset and of a length, at most `STEP_BYTES`, inside the file.
        whole: whether all of a program may be read, for its checksum; else its headers are.

    Raises:
        Whatever `read` raises.
    """
    reading = FormReading(read, size_bytes)
    try:
        found = _EXAMINED[form](reading, whole)
    except StructureError as error:
        found = FileForm(
            path=path, form=form, faults=(say("is damaged: {problem}", problem=str(error)),)
        )
    return replace(found, path=path, size_bytes=size_bytes)


def _examine_xml(reading: FormReading, _: bool) -> FileForm:  # noqa: FBT001 - as its siblings
    """Parse an XML document; one with a document type is not looked into."""
    data = _configuration(reading)
    if isinstance(data, FileForm):
        return data
    parser = expat.ParserCreate("utf-16" if data.startswith(_UTF_16) else None)
    refused: list[None] = []

    def refuse(*_declaration: object) -> None:
        # NOTE: entities, inner and outer, can only be declared in a document type.
        refused.append(None)
        raise ValueError

    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(data, True)  # noqa: FBT003 - the whole document at once
    except (expat.ExpatError, LookupError, ValueError) as error:
        if refused:
            return FileForm(path="")
        fault = say("is not well-formed XML ({why})", why=str(error))
        return FileForm(path="", form="xml", faults=(fault,))
    return FileForm(path="", form="xml")


def _examine_text(reading: FormReading, _: bool) -> FileForm:  # noqa: FBT001 - as its siblings
    """Hold a configuration to what any text is: no zero bytes, unless it is UTF-16."""
    data = _configuration(reading)
    if isinstance(data, FileForm):
        return data
    at = -1 if data.startswith(_UTF_16) else data.find(b"\0")
    faults = (say("is not plain text: byte {at} is zero", at=at),) if at >= 0 else ()
    return FileForm(path="", form="text", faults=faults)


def _configuration(reading: FormReading) -> bytes | FileForm:
    if reading.size_bytes > MOST_TEXT_BYTES:
        return FileForm(path="")
    if not reading.size_bytes:
        return FileForm(path="", form="text", faults=(say("is empty"),))
    return reading.part(0, reading.size_bytes)


_EXAMINED: dict[Form, Callable[[FormReading, bool], FileForm]] = {
    "hive": lambda reading, _: hive_form.examine(reading),
    "program": lambda reading, whole: program_form.examine(reading, whole=whole),
    "image": lambda reading, _: image_form.examine(reading),
    "xml": _examine_xml,
    "text": _examine_text,
}
