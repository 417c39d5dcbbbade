"""A drive in blocks of one size, each somewhere in a file or nowhere (zeros)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from verify.source.images.image_file import ImageDamage, ImageFile
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import numpy.typing as npt

    from verify.source.images.image_file import Refusing

    Places = npt.NDArray[np.int64]

ZEROS = -1
"""The place of a block that the file does not store."""

LOST = -2
"""The place of a block whose contents the container itself calls undefined."""

MOST_BLOCKS = 64 << 20
"""Blocks that are kept in memory, 8 bytes each: 64 TiB in blocks of 1 MiB, 4 TiB of 64 KiB."""


@dataclass(slots=True)
class BlockMap:
    """`size_bytes` of a drive in blocks of `block_bytes`; `places` in bytes of the file."""

    file: ImageFile
    size_bytes: int
    block_bytes: int
    places: Places

    def pieces(self, offset: int, length: int) -> Iterator[tuple[int, int, int]]:
        """Yield (block, offset inside of it, length) for a range of the drive."""
        end = offset + length
        while offset < end:
            block, inside = divmod(offset, self.block_bytes)
            size = min(self.block_bytes - inside, end - offset)
            yield block, inside, size
            offset += size

    def read(self, offset: int, length: int) -> bytes:
        """Return a range of the drive.

        Raises:
            ImageDamage: a block of it has no contents.
        """
        parts = [self._read(*piece) for piece in self.pieces(offset, length)]
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def _read(self, block: int, inside: int, length: int) -> bytes:
        place = int(self.places[block])
        if place == ZEROS:
            return bytes(length)
        if place == LOST:
            raise ImageDamage
        return self.file.read(place + inside, length)


def hold_apart(
    refusing: Refusing,
    file: ImageFile,
    blocks: tuple[Places, Places],
    structures: Iterable[tuple[int, int]],
    what: str,
) -> None:
    """Hold that blocks lie inside the file, apart from each other and from its structures.

    Args:
        refusing: what the image is.
        file: where the blocks are.
        blocks: the place of each, negative where it is stored nowhere, and its length; in bytes.
        structures: (start, end) of the container's own in the same file.
        what: the name of a block, in a sentence.

    Raises:
        ImageRefused: one does not.
    """
    places, lengths = blocks
    stored = places >= 0
    starts = places[stored]
    sizes = lengths[stored]
    if starts.size and (starts.max() > file.size_bytes or (starts + sizes).max() > file.size_bytes):
        raise refusing.because(
            say("{what} lies beyond the end of {file}: it was cut short", what=what, file=file.name)
        )
    own = [(start, end) for start, end in structures if end > start]
    if any(end > file.size_bytes for _, end in own):
        raise refusing.because(
            say("a table lies beyond the end of {file}: it was cut short", file=file.name)
        )
    all_starts = np.concatenate([starts, np.array([item[0] for item in own], np.int64)])
    all_ends = np.concatenate([starts + sizes, np.array([item[1] for item in own], np.int64)])
    order = np.argsort(all_starts, kind="stable")
    if np.any(all_ends[order][:-1] > all_starts[order][1:]):
        raise refusing.because(
            say("{what} overlaps another one, or one of the container's own tables", what=what)
        )
