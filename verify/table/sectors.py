"""A drive read in sectors of one size; what cannot be read becomes a sentence, not an exception."""

from __future__ import annotations

from dataclasses import dataclass, field

from verify.errors import SourceUnreadable
from verify.source.window import Readable
from verify.text.message import say
from verify.units import Lba


def peek(drive: Readable, offset: int, length: int) -> bytes:
    """Return up to `length` bytes from `offset`, fewer at the drive's end, none if unreadable.

    Raises:
        SourceVanished: the drive is gone.
    """
    inside = min(length, drive.size_bytes - offset)
    if offset < 0 or inside <= 0:
        return b""
    try:
        return drive.read_at(offset, inside)
    except SourceUnreadable:
        return b""


@dataclass(frozen=True, slots=True)
class Sectors:
    """A drive in sectors of `sector_bytes`, and what failed to be read of it.

    `problems`: one sentence for each structure that could not be followed; `unreadable`: those of
    them that are the drive's fault.
    """

    drive: Readable
    sector_bytes: int
    problems: list[str] = field(default_factory=list)
    unreadable: list[str] = field(default_factory=list)

    @property
    def last_lba(self) -> Lba:
        """The last whole sector; -1 where there is none."""
        return Lba(self.drive.size_bytes // self.sector_bytes - 1)

    def read(self, lba: int, length: int, what: str) -> bytes | None:
        """Return `length` bytes from the start of sector `lba`, or note why there are none.

        Raises:
            SourceVanished: the drive is gone.
        """
        sectors = -(-length // self.sector_bytes)
        if lba < 0 or lba + sectors - 1 > self.last_lba:
            self.problems.append(
                say(
                    "{what} at LBA {lba} lies past the drive's last LBA {last_lba}.",
                    what=what,
                    lba=lba,
                    last_lba=self.last_lba,
                )
            )
            return None
        try:
            return self.drive.read_at(lba * self.sector_bytes, length)
        except SourceUnreadable as error:
            sentence = say(
                "{what} at LBA {lba} cannot be read: {reason}.",
                what=what,
                lba=lba,
                reason=error.reason,
            )
            self.problems.append(sentence)
            self.unreadable.append(sentence)
            return None
