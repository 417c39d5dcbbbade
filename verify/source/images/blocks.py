"""A drive in blocks of one size, each somewhere in a file or nowhere (zeros)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from verify.source.images.image_file import ImageDamage, ImageFile
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import numpy.typing as npt

    from verify.source.images.image_file import Refusing
    from verify.text.message import Message

    Places = npt.NDArray[np.int64]

ZEROS = -1
"""The place of a block that the file does not store."""

LOST = -2
"""The place of a block whose contents the container itself calls undefined."""

MOST_BLOCKS = 64 << 20
"""Blocks that are kept in memory, 8 bytes each: 64 TiB in blocks of 1 MiB, 4 TiB of 64 KiB."""

MOST_UNNAMED = 1 << 30
"""Bytes of a file that no table names, and that are read to see that they are zeros."""

_MOST_GAPS = 1 << 16
_STEP = 1 << 20


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
    blocks: tuple[Places, int, int],
    structures: Iterable[tuple[int, int]],
    what: str,
) -> None:
    """Hold that blocks lie inside the file, apart from each other and from its structures.

    Args:
        refusing: what the image is.
        file: where the blocks are.
        blocks: the place of each, negative where it is stored nowhere; the length of one, and how
            much of the drive's last block has to be there; in bytes.
        structures: (start, end) of the container's own in the same file.
        what: the name of a block, in a sentence.

    Raises:
        ImageRefused: one does not.
    """
    places, length, last_length = blocks
    own = sorted((start, end) for start, end in structures if end > start)
    if own and max(end for _, end in own) > file.size_bytes:
        raise refusing.because(
            say("a table lies beyond the end of {file}: it was cut short", file=file.name)
        )
    starts = np.sort(places[places >= 0])
    if starts.size:
        last = last_length if starts[-1] == places[-1] else length
        if int(starts[-1]) + last > file.size_bytes:
            raise refusing.because(
                say(
                    "{what} lies beyond the end of {file}: it was cut short",
                    what=what,
                    file=file.name,
                )
            )
    if _overlap(own, starts, length):
        raise refusing.because(
            say("{what} overlaps another one, or one of the container's own tables", what=what)
        )


def notes_on_unnamed(
    refusing: Refusing,
    file: ImageFile,
    blocks: tuple[Places, int],
    structures: Iterable[tuple[int, int]],
    least: int,
) -> tuple[Message, ...]:
    """Return notes on what no table names: a block left behind, or one whose entry is damaged.

    Args:
        refusing: what the image is.
        file: where the blocks are.
        blocks: the place of each, negative where it is stored nowhere, and the length of one.
        structures: (start, end) of the container's own in the same file.
        least: bytes of the smallest that a writer leaves behind; 0 where any length may be.

    Raises:
        ImageRefused: something smaller is there, so that what follows it may have moved.
    """
    places, length = blocks
    gaps = _gaps(file, places, length, structures)
    if len(gaps) > _MOST_GAPS or int(np.diff(gaps).sum()) > MOST_UNNAMED:
        return (
            say(
                "Large parts of {file} are named by no table and were not examined. Blocks that"
                " damaged tables no longer name are read as zeros.",
                file=file.name,
            ),
        )
    found = [gap for gap in gaps.tolist() if not is_zeros(file, *gap)]
    if any(end - start < least for start, end in found):
        raise refusing.because(
            say(
                "its tables do not name what {file} holds at byte {at}: they are damaged, or"
                " bytes were inserted or removed",
                file=file.name,
                at=found[0][0],
            )
        )
    if found:
        return (
            say(
                "No table names the data at byte {at} of {file}. Its writer left them behind, or"
                " the table is damaged and a block is read as zeros.",
                at=found[0][0],
                file=file.name,
            ),
        )
    last = int(places.max())
    if least and len(gaps) and last >= 0 and gaps[-1][0] == last + length:
        return (
            say(
                "{count:,} bytes of zeros follow its last block. Some programs write such padding;"
                " bytes inserted by mistake look the same.",
                count=int(gaps[-1][1] - gaps[-1][0]),
            ),
        )
    return ()


def _gaps(
    file: ImageFile, places: Places, length: int, structures: Iterable[tuple[int, int]]
) -> Places:
    """Return (start, end) of each range of a file that neither blocks nor structures take."""
    starts = np.sort(places[places >= 0])
    named = np.array([*structures, (file.size_bytes, file.size_bytes)], np.int64)
    begins = np.concatenate((named[:, 0], starts))
    order = np.argsort(begins, kind="stable")
    reached = np.maximum.accumulate(np.concatenate((named[:, 1], starts + length))[order])
    begins = begins[order]
    (before,) = np.nonzero(begins[1:] > reached[:-1])
    return np.stack((reached[before], begins[before + 1]), axis=1)


def is_zeros(file: ImageFile, start: int, end: int) -> bool:
    """Whether a range of a file is zeros, read in pieces."""
    for at in range(start, end, _STEP):
        data = file.read(at, min(_STEP, end - at))
        if data.count(0) != len(data):
            return False
    return True


def _overlap(own: list[tuple[int, int]], starts: Places, length: int) -> bool:
    """Whether any two of blocks of one length, and of structures, have bytes in common.

    NOTE: there are up to `MOST_BLOCKS` places: they are sorted once, and not copied again.
    """
    if any(end > following for (_, end), (following, _) in pairwise(own)):
        return True
    if starts.size > 1 and int(np.diff(starts).min()) < length:
        return True
    for start, end in own:
        index = int(np.searchsorted(starts, start))
        if index < starts.size and starts[index] < end:
            return True
        if index and starts[index - 1] + length > start:
            return True
    return False
