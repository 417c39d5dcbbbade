"""Going through the rows of a manifest that was read whole before."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile
from typing import TYPE_CHECKING, BinaryIO, TypeVar

from verify.errors import ManifestAltered
from verify.manifest.gzip_members import Member
from verify.manifest.row import RowError, decode_entry, encode_group, parse_line
from verify.manifest.segment import SEGMENT_START, Segment, decode_segment
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from verify.filesystem.entry import Entry

GROUP_START = b'{"partition":'
TRAILER_START = b'{"trailer":'
BLOCK_START = b'{"block":'

Raw = TypeVar("Raw")
Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a manifest that can be read by itself: where it begins, and its first line."""

    offset: int
    line: bytes


def begins_part(line: bytes) -> bool:
    """Whether what begins with this line is written such that it can be read by itself."""
    return line.startswith((GROUP_START, SEGMENT_START, TRAILER_START))


def rows_of(file: BinaryIO, parts: Sequence[Part], partition: int) -> Iterator[bytes]:
    """Yield the rows of a partition."""
    for part in _parts_of(parts, partition):
        yield from _rows(file, part, partition)


class ListingRows:
    """The entries of one partition, gone through once from the first to the last."""

    def __init__(self, path: Path, file: BinaryIO, parts: Sequence[Part], partition: int) -> None:
        """Stand before the first entry."""
        self._path, self._file, self._partition = path, file, partition
        self._ahead = iter(_parts_of(parts, partition))
        self._rows: Iterator[bytes] = iter(())
        self._part: Part | None = None
        self._segment: Segment | None = None
        self._entry: Entry | None = None
        self._go_on()

    @property
    def segment(self) -> Segment | None:
        """The segment that begins with the next entry; `None`: none does, or it has no head."""
        return self._segment

    @property
    def entry(self) -> Entry | None:
        """The next entry; `None` at the end."""
        while self._entry is None and self._part is not None:
            self._rows, self._part = _rows(self._file, self._part, self._partition), None
            self._take_row()
            if self._entry is None:
                self._go_on()
        return self._entry

    def step(self) -> None:
        """Step over the next entry."""
        self._segment = None
        self._take_row()
        if self._entry is None:
            self._go_on()

    def pass_over(self) -> None:
        """Step over all rows of the segment that begins here, without reading them."""
        self._entry = None
        self._go_on()

    def rest_of_segment(self) -> Iterator[bytes]:
        """Step over the segment that begins here, and yield its rows as they are written."""
        part = self._part
        self.pass_over()
        if part is not None:
            yield from _rows(self._file, part, self._partition)

    def _take_row(self) -> None:
        line = next(self._rows, None)
        while line is not None and line.startswith(BLOCK_START):
            line = next(self._rows, None)  # of the encrypted bytes that the files lie in
        self._entry = None
        if line is not None:
            self._entry = decoded(self._path, decode_entry, decoded(self._path, parse_line, line))

    def _go_on(self) -> None:
        """Stand before the next part."""
        self._part, self._segment = next(self._ahead, None), None
        if self._part is not None and self._part.line.startswith(SEGMENT_START):
            head = decoded(self._path, parse_line, self._part.line)
            self._segment = decoded(self._path, decode_segment, head)


def _parts_of(parts: Sequence[Part], partition: int) -> list[Part]:
    """Return the parts that hold a partition's rows; all where they were packed as one."""
    first = encode_group(partition)
    at = next((at for at, part in enumerate(parts) if part.line == first), None)
    if at is None:
        return list(parts) if len(parts) == 1 else []
    segments = takewhile(lambda part: part.line.startswith(SEGMENT_START), parts[at + 1 :])
    return [parts[at], *segments]


def _rows(file: BinaryIO, part: Part, partition: int) -> Iterator[bytes]:
    """Yield the rows of a partition that stand in a part."""
    first = encode_group(partition)
    inside = part.line.startswith(SEGMENT_START)
    for line in _lines(Member(file, part.offset)):
        if line.startswith((GROUP_START, TRAILER_START)):
            if inside:
                return
            inside = line == first[:-1]
        elif inside and not line.startswith(SEGMENT_START):
            yield line


def _lines(texts: Iterable[bytes]) -> Iterator[bytes]:
    """Yield the lines of a text that comes in pieces; each piece is gone through once."""
    waiting: list[bytes] = []
    for text in texts:
        *lines, rest = text.split(b"\n")
        if lines:
            yield b"".join([*waiting, lines[0]])
            yield from lines[1:]
            waiting = []
        waiting.append(rest)


def decoded(path: Path, decode: Callable[[Raw], Item], raw: Raw) -> Item:
    """Return what a row says.

    Raises:
        ManifestAltered: it is no row of ours.
    """
    try:
        return decode(raw)
    except RowError as error:
        raise ManifestAltered(
            str(path), say("a row"), say("valid"), say("not valid ({what})", what=str(error))
        ) from error
