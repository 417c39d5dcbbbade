"""The sections of E01 files: a chain in each segment file, every descriptor with its checksum."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.source.images.image_file import ImageFile
from verify.structs import ewf
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.source.images.image_file import Refusing
    from verify.structs.base import Record, Structure

_MOST_SECTIONS = 1 << 20
LAST = frozenset({"next", "done"})
"""Sections that end a segment file: another one follows, or none."""


@dataclass(frozen=True, slots=True)
class Section:
    """One section: its type, where it begins in which file, and its end; in bytes."""

    type: str
    file: ImageFile
    at: int
    end: int

    @property
    def data_at(self) -> int:
        """Where its data begins, behind the descriptor."""
        return self.at + ewf.SECTION.size

    @property
    def data_bytes(self) -> int:
        """How long its data is."""
        return self.end - self.data_at


def sections(refusing: Refusing, file: ImageFile) -> Iterator[Section]:
    """Yield the sections of a segment file in their order, up to its last.

    Raises:
        ImageRefused: the chain breaks: damaged, cut short, or going in circles.
    """
    at = ewf.FILE_HEADER.size
    for _ in range(_MOST_SECTIONS):
        data = refusing.read(file, at, ewf.SECTION.size, say("a section"))
        record = ewf.SECTION.parse(data, at)
        if not is_checked(data[: ewf.SECTION.size - 4], record.number("Checksum")):
            raise refusing.because(
                say(
                    "the checksum of the section at byte {at} of {file} is wrong",
                    at=at,
                    file=file.name,
                )
            )
        kind = record.raw("Type").rstrip(b"\0").decode("ascii", "replace")
        following, size = record.number("NextOffset"), record.number("Size")
        if kind in LAST:
            yield Section(kind, file, at, at + ewf.SECTION.size)
            return
        if following < at + ewf.SECTION.size or following > file.size_bytes:
            raise refusing.because(
                say(
                    "the section '{kind}' of {file} ends beyond the file: it was cut short",
                    kind=kind,
                    file=file.name,
                )
            )
        if size and size != following - at:
            raise refusing.because(
                say("the section '{kind}' of {file} has two lengths", kind=kind, file=file.name)
            )
        yield Section(kind, file, at, following)
        at = following
    raise refusing.because(say("{file} has too many sections", file=file.name))


def is_checked(data: bytes, stored: int) -> bool:
    """Whether a stored Adler-32 is that of the bytes."""
    return zlib.adler32(data) == stored


def read_structure(
    refusing: Refusing, section: Section, structure: Structure, checksum_at: int
) -> Record:
    """Return a structure at the start of a section's data, its checksum verified.

    Raises:
        ImageRefused: it is too short, or its checksum is wrong.
    """
    what = say("the section '{kind}' of {file}", kind=section.type, file=section.file.name)
    if section.data_bytes < structure.size:
        raise refusing.because(say("{what} is too short", what=what))
    data = refusing.read(section.file, section.data_at, structure.size, what)
    record = structure.parse(data, section.data_at)
    if not is_checked(data[:checksum_at], record.number("Checksum")):
        raise refusing.because(say("the checksum of {what} is wrong", what=what))
    return record
