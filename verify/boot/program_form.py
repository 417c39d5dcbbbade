"""Whether a program image (PE) is whole: its section table inside the file, its checksum."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.boot.file_form import FileForm
from verify.boot.form_reading import hex_of
from verify.structs import pe
from verify.text.message import Message, say
from verify.units import KIB, MIB

if TYPE_CHECKING:
    from verify.boot.form_reading import FormReading
    from verify.structs.base import Record

HEAD_BYTES = 4 * KIB
"""Enough for the headers that linkers write."""

MOST_BYTES = 32 * MIB
"""The largest program whose checksum is worked out."""

_MOST_SECTIONS = 96
"""SPEC: "PE Format": the Windows loader limits the number of sections to 96."""


def examine(reading: FormReading, *, whole: bool) -> FileForm:
    """Hold a program against its format; what does not begin as one has none."""
    head = reading.part(0, HEAD_BYTES)
    if len(head) < pe.DOS_HEADER.size or not head.startswith(pe.DOS_SIGNATURE):
        return FileForm(path="")
    at = pe.DOS_HEADER.parse(head).number("pe_offset")
    data = head[at:]
    if at >= reading.size_bytes or (data and not data.startswith(pe.PE_SIGNATURE)):
        fault = say("has no PE signature at byte {at}, where its header puts it", at=at)
        return FileForm(path="", form="program", faults=(fault,))
    if len(data) < pe.COFF_HEADER.size + pe.OPTIONAL_HEADER.size:
        return FileForm(path="")  # an old program, or headers further back than any linker's
    coff = pe.COFF_HEADER.parse(data)
    optional = data[pe.COFF_HEADER.size :]
    header = pe.OPTIONAL_HEADER.parse(optional)
    faults = _sections(reading, coff, optional)
    stored = header.number("checksum")
    if not faults and stored and whole and reading.size_bytes <= MOST_BYTES:
        place = at + pe.COFF_HEADER.size + pe.CHECKSUM_OFFSET
        faults = _checksum(reading, place, stored)
    machine = coff.number("machine")
    return FileForm(
        path="",
        form="program",
        faults=tuple(faults),
        machine=pe.MACHINES.get(machine, f"{machine:04X}"),
    )


def _sections(reading: FormReading, coff: Record, optional: bytes) -> list[Message]:
    """Return the first section that does not lie inside the file."""
    count, size = coff.number("sections"), reading.size_bytes
    if count > _MOST_SECTIONS:
        return [say("claims {count} sections", count=count)]
    table = optional[coff.number("optional_header_bytes") :]
    for index in range(count):
        row = table[index * pe.SECTION_HEADER.size :]
        if len(row) < pe.SECTION_HEADER.size:
            return [say("ends inside its section table")] if size < HEAD_BYTES else []
        section = pe.SECTION_HEADER.parse(row)
        end = section.number("raw_offset") + section.number("raw_bytes")
        if section.number("raw_bytes") and end > size:
            return [
                say(
                    "has a section that ends at byte {end} of {size_bytes}",
                    end=end,
                    size_bytes=size,
                )
            ]
    return []


def _checksum(reading: FormReading, place: int, stored: int) -> list[Message]:
    """Return whether the stored checksum is another than that of the bytes."""
    computed = program_checksum(reading, place)
    if stored == computed:
        return []
    return [
        say(
            "has the checksum {stored} in its header, which should be {computed}",
            stored=hex_of(stored),
            computed=hex_of(computed),
        )
    ]


def program_checksum(reading: FormReading, place: int) -> int:
    """Return the checksum of a program whose header has it at byte `place`.

    The sum of its 16-bit little-endian words with the carry added back in, its own field taken as
    zero, and the length of the file added to that.
    """
    # SPEC: "PE Format" names ImageHlp's CheckSumMappedFile; the sum is that of RFC 1071.
    total = 0
    for index, step in enumerate(reading.steps(0, reading.size_bytes)):
        total += _sum(step if index or place >= len(step) else _without(step, place))
    folded = total % 0xFFFF
    return (folded if folded or not total else 0xFFFF) + reading.size_bytes


def _without(step: bytes, place: int) -> bytes:
    return step[:place] + bytes(4) + step[place + 4 :]


def _sum(step: bytes) -> int:
    # NOTE: words added with their carry are the whole as one number modulo 0xFFFF; zero only
    # where all is zero.
    value = int.from_bytes(step, "little")
    return value % 0xFFFF or (0xFFFF if value else 0)
