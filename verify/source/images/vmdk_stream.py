"""The markers of a VMDK's stream, held against its tables.

Source: Virtual Disk Format 5.0, "Stream-Optimized Compressed Sparse Extents": grains and tables
follow each other, each at a sector, a marker in front of each.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from verify.source.images.blocks import LOST, MOST_UNNAMED, ZEROS, is_zeros
from verify.source.images.image_file import ImageFile, Refusing
from verify.structs import vmdk
from verify.text.message import counted, say

if TYPE_CHECKING:
    from verify.text.message import Message

_SECTOR = vmdk.SECTOR_BYTES
_GRAIN_MARKER = struct.Struct("<QI")
_BATCH = 1 << 16


@dataclass(slots=True)
class Stream:
    """A stream and its tables; a grain with a marker that no table names becomes `LOST`.

    `begin`: where its first marker is; `tables`: the end of each table by its start; `places`: of
    each grain, as the tables have it; all in bytes.
    """

    refusing: Refusing
    file: ImageFile
    begin: int
    tables: dict[int, int]
    places: npt.NDArray[np.int64]
    grain_bytes: int
    _broken: list[int] = field(default_factory=list)
    _lost: int = 0

    def walk(self) -> tuple[Message, ...]:
        """Walk from marker to marker, to the end of the file, and return notes on what differs.

        Where the tables name every grain nothing is walked: each grain has its own checksum.

        Raises:
            ImageRefused: markers and tables differ in more than one place, or it was cut short.
        """
        self._hold_last()
        if not np.any(self.places == ZEROS):
            return ()
        starts = np.sort(self.places[self.places >= 0])
        at = self.begin
        for first in range(0, len(starts), _BATCH):
            for place in starts[first : first + _BATCH].tolist():
                if at != place:
                    self._reach(at, place)
                at = self._grain_end(place)
        if at < self.file.size_bytes:
            self._reach(at, self.file.size_bytes)
        return self._notes()

    def _hold_last(self) -> None:
        place = int(self.places.max())
        if place >= 0 and place + _GRAIN_MARKER.size + self._grain(place)[1] > self.file.size_bytes:
            raise self.refusing.because(say("its last grain is not whole: it was cut short"))

    def _grain(self, place: int) -> tuple[int, int]:
        """Return which grain is at a place, and its compressed bytes, by its marker."""
        sector, size = _GRAIN_MARKER.unpack(self.file.read(place, _GRAIN_MARKER.size))
        block, rest = divmod(sector * _SECTOR, self.grain_bytes)
        return -1 if rest else block, size

    def _grain_end(self, place: int) -> int:
        """Return where the marker behind a grain is, by the grain's own marker."""
        end = place + _GRAIN_MARKER.size + self._grain(place)[1]
        return end + -end % _SECTOR

    def _reach(self, at: int, stop: int) -> None:
        """Go on at `stop`, at most once without having been led there."""
        if not self._leads(at, stop):
            self._broken.append(at)
            if len(self._broken) > 1:
                raise self.refusing.because(
                    say(
                        "its tables and the markers of its grains differ at byte {at}",
                        at=self._broken[0],
                    )
                )

    def _leads(self, at: int, stop: int) -> bool:
        """Whether tables that are named, grains that are not, and then zeros lead to `stop`."""
        while at < stop and at + vmdk.MARKER.size <= self.file.size_bytes:
            marker = vmdk.MARKER.parse(self.file.read(at, vmdk.MARKER.size), at)
            if marker.number("size"):
                if not self._lose(at):
                    return False
                at = self._grain_end(at)
                continue
            length = marker.number("val") * _SECTOR
            if not length and marker.number("type") == vmdk.END_OF_STREAM:
                break
            at += _SECTOR
            if not self._is_table(at, length):
                return False
            at += length
        return at <= stop <= at + MOST_UNNAMED and is_zeros(self.file, at, stop)

    def _lose(self, at: int) -> bool:
        """Mark a grain as lost that has a marker, and is not stored by its table."""
        block, _ = self._grain(at)
        if not 0 <= block < len(self.places) or self.places[block] != ZEROS:
            return False
        self.places[block] = LOST
        self._lost += 1
        return True

    def _is_table(self, start: int, length: int) -> bool:
        """Whether a table or the footer is all there is in these sectors."""
        end = self.tables.get(start)
        return end is not None and 0 <= start + length - end < _SECTOR

    def _notes(self) -> tuple[Message, ...]:
        notes = []
        if self._lost:
            notes.append(
                counted(
                    "{count} grain is stored, and missing from the VMDK's tables: it is"
                    " unreadable.",
                    "{count} grains are stored, and missing from the VMDK's tables: they are"
                    " unreadable.",
                    self._lost,
                )
            )
        if self._broken:
            notes.append(
                say(
                    "A marker of the VMDK is damaged at or before byte {at}. A grain there that no"
                    " table names is read as zeros.",
                    at=self._broken[0],
                )
            )
        return tuple(notes)
