"""A model of a drive whose reads fail: a clock of its own, and how often each sector was asked."""

from __future__ import annotations

import errno
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from verify.platforms.identity import Identity
from verify.source.bad_ranges import BadRanges
from verify.source.drive import Drive

FAILING_SECONDS = 5.0
BYTES_A_SECOND = 100e6
COMMAND_SECONDS = 0.0002
"""What a read costs besides its bytes."""


def zeros(offset: int, length: int) -> bytes:  # noqa: ARG001 - the same everywhere
    """Return bytes of an empty drive."""
    return bytes(length)


@dataclass(slots=True)
class FailingModel:
    """Stands where the system stands: a read fails if a bad byte is among those it asks for.

    `gives_before`: bytes before the first bad page come back first, as Linux answers a buffered
    read. `asked`: failing reads of each bad sector; `good`: bytes that came back at least once.
    """

    size_bytes: int
    bad: BadRanges
    identity: Identity
    contents: Callable[[int, int], bytes] = zeros
    gives_before: bool = False
    now: float = 0.0
    failing_reads: int = 0
    asked: Counter[int] = field(default_factory=Counter)
    good: BadRanges = field(default_factory=BadRanges)

    def read_at(self, length: int, offset: int) -> bytes:
        """Read, or fail as the kernel does."""
        length = max(0, min(length, self.size_bytes - offset))
        bad = self.bad.first_in(offset, offset + length)
        if bad and self.gives_before and bad[0] - bad[0] % 4096 > offset:
            length, bad = bad[0] - bad[0] % 4096 - offset, None
        if bad:
            self.now += FAILING_SECONDS
            self.failing_reads += 1
            for start, end in self.bad.parts_of(offset, offset + length):
                self.asked.update(range(start // 512, -(-end // 512)))
            raise OSError(errno.EIO, "sectors of a model")
        self.now += COMMAND_SECONDS + length / BYTES_A_SECOND
        self.good.add(offset, offset + length)
        return self.contents(offset, length)

    def close(self) -> None:
        """Nothing is open."""

    def drive(self, *, retries: int = 1) -> Drive:
        """Return the drive that reads through this model and by its clock."""
        return Drive(
            "model",
            self.size_bytes,
            512,
            sector_known=True,
            identity=self.identity,
            retries=retries,
            opened=self,
            clock=lambda: self.now,
        )


def failing_model(
    size_bytes: int, bad: list[tuple[int, int]], *, physical: int = 512, gives_before: bool = False
) -> FailingModel:
    """Return a model whose `bad` ranges (start, length) fail."""
    identity = Identity(kind="device", file_id="model", physical_sector_bytes=physical)
    return FailingModel(size_bytes, BadRanges.of(bad), identity, gives_before=gives_before)
