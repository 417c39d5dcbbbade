"""Whether a registry hive is whole: its base block, the chain of its bins and cells, its root.

What a system refuses to load, or repairs by dropping keys. Keys are not walked here: `hive` does
that for what the program needs of them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from verify.boot.file_form import FileForm
from verify.boot.form_reading import STEP_BYTES, FormReading, hex_of
from verify.structs.regf import (
    BASE_BLOCK,
    BASE_BLOCK_BYTES,
    BIN_HEADER,
    BIN_SIGNATURE,
    KEY_SIGNATURE,
    LEAST_CELL_BYTES,
    SIGNATURE,
    base_block_checksum,
)
from verify.text.message import Message, say
from verify.units import MIB

MOST_BYTES = 512 * MIB
"""The largest hive read."""

_CELL = struct.Struct("<i")
_CELLS_SINCE = 3
"""SPEC: open descriptions of the REGF format: cells of minor versions below 2 have a field more."""


def examine(reading: FormReading) -> FileForm:
    """Hold a hive against its format; the first fault of its chain ends the walk."""
    if reading.size_bytes > MOST_BYTES:
        return FileForm(path="", unread=say("it is larger than {most} bytes", most=MOST_BYTES))
    head = reading.part(0, BASE_BLOCK_BYTES)
    if len(head) < BASE_BLOCK_BYTES or not head.startswith(SIGNATURE):
        blank = _is_blank(reading, head)
        return FileForm(path="", form="hive", faults=(_BLANK if blank else _NO_HEADER,))
    block = BASE_BLOCK.parse(head)
    bins, minor = block.number("hive_bins_bytes"), block.number("minor_version")
    faults: list[Message] = []
    stored, computed = block.number("checksum"), base_block_checksum(head)
    if stored != computed:
        faults.append(
            say(
                "has the checksum {stored} in its header, which should be {computed}",
                stored=hex_of(stored),
                computed=hex_of(computed),
            )
        )
    end = BASE_BLOCK_BYTES + bins
    if end > reading.size_bytes:
        faults.append(
            say(
                "is {size} bytes long, and {end} by its header",
                size=reading.size_bytes,
                end=end,
            )
        )
    root = BASE_BLOCK_BYTES + block.number("root_cell_offset")
    walk = _Walk(reading, min(end, reading.size_bytes), root, cells=minor >= _CELLS_SINCE)
    if (fault := walk.fault()) is not None:
        faults.append(fault)
    dirty = block.number("primary_sequence") != block.number("secondary_sequence")
    return FileForm(path="", form="hive", faults=tuple(faults), dirty=dirty)


_BLANK = say("is all zeros")
_NO_HEADER = say("has no registry header")


def _is_blank(reading: FormReading, head: bytes) -> bool:
    return bool(head) and not any(map(any, reading.steps(0, reading.size_bytes)))


@dataclass(slots=True)
class _Walk:
    """The bins of a hive from the first to `end`, and their cells; `root`: where its root key is.

    `_held` is the step of the file that begins at byte `_first`.
    """

    reading: FormReading
    end: int
    root: int
    cells: bool
    _first: int = 0
    _held: bytes = b""
    _met_root: bool = False

    def fault(self) -> Message | None:
        """Return the first fault of the chain, or that the root key is no part of it."""
        at = BASE_BLOCK_BYTES
        while at < self.end:
            header = self._bytes(at, BIN_HEADER.size)
            record = BIN_HEADER.parse(header) if len(header) == BIN_HEADER.size else None
            if record is None or record.raw("signature") != BIN_SIGNATURE:
                return say("has no hive bin at byte {at}", at=at)
            size, place = record.number("bytes"), record.number("offset")
            if place != at - BASE_BLOCK_BYTES or size % BASE_BLOCK_BYTES or not size:
                return say("has a hive bin at byte {at} that contradicts its place", at=at)
            if at + size > self.end:
                return say("has a hive bin at byte {at} that runs past its end", at=at)
            stop = self._end_of_cells(at, at + size) if self.cells else at + size
            if stop != at + size:
                return say("has a damaged cell at byte {at}", at=stop)
            at += size
        if self.cells and not (self._met_root and self._is_key(self.root)):
            return say("has no root key at byte {at}", at=self.root)
        return None

    def _end_of_cells(self, start: int, end: int) -> int:
        """Follow the cells of a bin; return its end, or the first cell that does not lead there."""
        at = start + BIN_HEADER.size
        while at + _CELL.size <= end:
            if not self._first <= at <= self._first + len(self._held) - _CELL.size:
                self._hold(at)
            length = abs(_CELL.unpack_from(self._held, at - self._first)[0])
            if length < LEAST_CELL_BYTES or length % LEAST_CELL_BYTES or at + length > end:
                return at
            if at == self.root:
                self._met_root = True
            at += length
        return at

    def _is_key(self, at: int) -> bool:
        cell = self._bytes(at, _CELL.size + len(KEY_SIGNATURE))
        used = len(cell) > _CELL.size and _CELL.unpack_from(cell)[0] < 0
        return used and cell.endswith(KEY_SIGNATURE)

    def _bytes(self, at: int, length: int) -> bytes:
        if not self._first <= at <= at + length <= self._first + len(self._held):
            self._hold(at)
        return self._held[at - self._first : at - self._first + length]

    def _hold(self, at: int) -> None:
        self._first, self._held = at, self.reading.part(at, STEP_BYTES)
