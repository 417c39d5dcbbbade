"""What a field table is, and how one is read.

A structure is its standard's table: names, offsets, types and where they are printed. Parsing
yields every stored value as it stands; nothing is judged here.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from verify.errors import StructureError
from verify.text.message import say


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its standard's name, byte offset, `struct` code and meaning.

    The code is one `struct` item without byte order: `B`, `H`, `I`, `Q`, `b`, `16s` …
    """

    name: str
    offset: int
    code: str
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """The stored values of one structure, and the byte offset (in its window) it was read at."""

    structure: str
    at: int
    values: dict[str, int | bytes]

    def number(self, name: str) -> int:
        """Return an integer field."""
        value = self.values[name]
        if not isinstance(value, int):
            raise TypeError(f"{self.structure}.{name} is not a number")
        return value

    def raw(self, name: str) -> bytes:
        """Return a field of bytes."""
        value = self.values[name]
        if not isinstance(value, bytes):
            raise TypeError(f"{self.structure}.{name} is not bytes")
        return value


@dataclass(frozen=True, slots=True)
class Structure:
    """A field table with its source; `size` in bytes, `order` is `<` (little) or `>` (big)."""

    name: str
    source: str
    size: int
    fields: tuple[Field, ...]
    order: str = "<"
    _codecs: tuple[tuple[str, struct.Struct, int], ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Compile the codecs once, and hold every field inside the structure."""
        codecs = []
        for item in self.fields:
            codec = struct.Struct(self.order + item.code)
            if item.offset + codec.size > self.size:
                raise ValueError(f"{self.name}.{item.name} runs past {self.size} bytes")
            codecs.append((item.name, codec, item.offset))
        object.__setattr__(self, "_codecs", tuple(codecs))

    def parse(self, data: bytes, at: int = 0) -> Record:
        """Read the structure from the start of `data`, which was found at byte `at`.

        Raises:
            StructureError: `data` is shorter than the structure.
        """
        if len(data) < self.size:
            raise StructureError(
                self.name,
                at,
                say("length"),
                say("{size:,} bytes", size=self.size),
                say("{size:,} bytes", size=len(data)),
            )
        values: dict[str, int | bytes] = {
            name: codec.unpack_from(data, offset)[0] for name, codec, offset in self._codecs
        }
        return Record(self.name, at, values)

    def packed(self, *names: str) -> struct.Struct:
        """Return one codec for some fields in the order of their offsets, for reading in bulk.

        What lies before and between them is skipped; `unpack_from` raises `struct.error` where the
        bytes end early.

        Raises:
            ValueError: a name is no field, or fields overlap or are out of order.
        """
        known = {item.name: item for item in self.fields}
        code, position = self.order, 0
        for name in names:
            if name not in known or known[name].offset < position:
                raise ValueError(f"{self.name}.{name}")
            item = known[name]
            code += f"{item.offset - position}x{item.code}"
            position = item.offset + struct.calcsize(self.order + item.code)
        return struct.Struct(code)
