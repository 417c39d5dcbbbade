"""Contents of many small files at once, where these lie in one piece: in large reads, by place."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.errors import PastEnd, SourceUnreadable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.capture.row_store import RowStore
    from verify.filesystem.volume import Volume
    from verify.source.window import Window

READ_BYTES = 1 << 20
"""Bytes a read, whole blocks; the library must not be asked for more at once."""

_JOINT_BYTES = 128 << 10
"""What most systems ask a drive for at once: where a longer read fails, the part of it that fails
is asked for twice."""

_MOST_GAP_BYTES = 4096
"""Between two files of one read: what the last cluster of a file has left."""


@dataclass(slots=True)
class _Joint:
    """Files that are read at once: (number, first byte, size) of each, from `start` to `end`."""

    start: int
    end: int
    files: list[tuple[int, int, int]] = field(default_factory=list)

    def takes(self, start: int, end: int) -> bool:
        """Whether a file from `start` to `end` belongs to the same read."""
        near = self.start <= start <= self.end + _MOST_GAP_BYTES
        return near and end - self.start <= _JOINT_BYTES

    def contents(self, window: Window) -> Iterator[tuple[int, bytes]]:
        """Yield (number, contents); nothing where a sector of the read fails."""
        try:
            data = window.read(self.start, self.end - self.start)
        except (SourceUnreadable, PastEnd):
            return
        for number, start, size in self.files:
            at = start - self.start
            yield number, data[at : at + size]


def straight_contents(
    window: Window, volume: Volume, store: RowStore, numbers: Iterable[int]
) -> Iterator[tuple[int, bytes]]:
    """Yield (number, contents) of those files that need no more than a read.

    `numbers`: small files in the order of the drive. What is not yielded is left to `Volume.read`,
    which says what is wrong with it.
    """
    joint = _Joint(0, 0)
    for number in numbers:
        size = store.sizes[number]
        where = volume.straight(store.nodes[number], size) if size else b""
        if where is None:
            continue
        if isinstance(where, bytes):
            yield number, where
            continue
        end = where + size
        if not joint.takes(where, end):
            yield from joint.contents(window)
            joint = _Joint(where, end)
        joint.end = max(joint.end, end)
        joint.files.append((number, where, size))
    yield from joint.contents(window)
