"""NTFS records by their numbers, for listing: read in large pieces of the MFT."""

from __future__ import annotations

from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.ntfs.describe import geometry
from verify.filesystem.ntfs.records import Records, Stream, repaired
from verify.filesystem.volume import Place
from verify.structs.ntfs import BOOT_SECTOR, FILE_RECORD
from verify.text.message import say

if TYPE_CHECKING:
    from verify.source.window import Window

PIECE_BYTES = 256 << 10
"""Bytes of the MFT read at once: names of one folder were mostly given records side by side."""

PIECES_KEPT = 64


@dataclass(slots=True)
class RecordTable(Records):
    """The MFT of one volume; once it is loaded, pieces of it are kept for a while."""

    _pieces: OrderedDict[int, bytes | None] = field(default_factory=OrderedDict)

    def load(self) -> Stream:
        """Learn where the records are, as `Records` does."""
        found = Records.load(self)
        self._pieces.clear()  # they came by the first runs alone
        return found

    def __len__(self) -> int:
        """How many records the MFT has room for."""
        return self.mft.ends[-1] // self.record_bytes if self.mft and self.mft.ends else 0

    @property
    def places(self) -> tuple[Place, ...]:
        """Where the MFT lies; parts that lie nowhere are left out."""
        ranges = self.mft.ranges if self.mft else ()
        return tuple(Place(None, start, size) for start, size in ranges if start is not None)

    @property
    def has_hole(self) -> bool:
        """Whether a part of the MFT lies nowhere."""
        return any(start is None for start, _ in (self.mft.ranges if self.mft else ()))

    def place_of(self, number: int) -> int | None:
        """Return the byte of the volume where a record begins; `None`: the MFT has no such one."""
        if self.mft is None or number < 0:
            return None
        return next(self.mft.parts(number * self.record_bytes, 1), (None, 0))[0]

    def read(self, at: int, length: int) -> bytes:
        """Return bytes of the MFT, fewer at its end.

        Raises:
            SourceUnreadable, PastEnd: they cannot be read.
        """
        # NOTE: the zeros of a hole are no record; those beside the hole are what they are.
        return b"".join(
            bytes(size) if start is None else self.window.read(start, size)
            for start, size in (self.mft.parts(at, length) if self.mft else ())
        )

    def repaired(self, number: int) -> bytes:
        """Return a record's bytes with their fix-ups undone.

        Raises:
            StructureError, SourceUnreadable, PastEnd: it is not a record, or cannot be read.
        """
        return repaired(*self._stored(number))

    def _stored(self, number: int) -> tuple[bytes, int]:
        """Return a record as it is stored, and where.

        It comes from a piece that is kept for a while; where a piece cannot be read whole, alone.
        """
        if self.mft is None:
            return Records._stored(self, number)  # noqa: SLF001 - its own, before it is loaded
        place = self.place_of(number)
        if place is None:
            raise StructureError(FILE_RECORD.name, 0, "number", say("in the MFT"), str(number))
        at = number * self.record_bytes
        index, inside = divmod(at, PIECE_BYTES)
        if index not in self._pieces:
            if len(self._pieces) >= PIECES_KEPT:
                self._pieces.popitem(last=False)
            self._pieces[index] = None
            with suppress(*UNREADABLE):
                self._pieces[index] = self.read(index * PIECE_BYTES, PIECE_BYTES)
        piece = self._pieces[index]
        if piece is None:
            return self.read(at, self.record_bytes), place
        return piece[inside : inside + self.record_bytes], place


def mft_of(window: Window) -> RecordTable:
    """Return the MFT of an NTFS volume, as its first record tells it.

    Raises:
        StructureError: neither copy of that record is whole, or a part of its run list is missing.
        SourceUnreadable, PastEnd: they cannot be read.
    """
    sizes = geometry(BOOT_SECTOR.parse(window.read(0, BOOT_SECTOR.size)))
    if sizes is None:
        raise StructureError(BOOT_SECTOR.name, 0, "sizes", say("those of NTFS"), say("others"))
    table = RecordTable(
        window,
        sizes.record_bytes,
        sizes.cluster_bytes,
        sizes.mft_offset,
        sizes.mirror_offset,
        sizes.clusters,
    )
    table.load()
    return table
