"""The rows of one listing on disk, with just enough of each in memory to plan the reading.

Sixty-five bytes a name stay in memory, so that a drive of a million files takes as little as one
of a thousand; everything else waits in the spool file.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Self

from blake3 import blake3

from verify.content.row import decode_entry, encode_entry, parse_line
from verify.filesystem.entry import Entry

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


DIGEST_BYTES = 32


@dataclass(slots=True)
class Spool:
    """Entries in the order they were listed, each known by its number, from 0."""

    path: Path
    offsets: array[int] = field(default_factory=lambda: array("Q"))
    places: array[int] = field(default_factory=lambda: array("Q"))
    nodes: array[int] = field(default_factory=lambda: array("Q"))
    _digests: bytearray = field(default_factory=bytearray)
    _digested: bytearray = field(default_factory=bytearray)
    _changed: dict[int, Entry] = field(default_factory=dict)
    _file: BinaryIO | None = None
    _end: int = 0
    _hasher: blake3 = field(default_factory=blake3)

    def __enter__(self) -> Self:
        self._file = self.path.open("w+b")
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    @property
    def file(self) -> BinaryIO:
        """The open spool file."""
        if self._file is None:
            raise ValueError("the spool is not open")
        return self._file

    def __len__(self) -> int:
        return len(self.offsets)

    def append(self, entry: Entry) -> int:
        """Write an entry to the end and return its number."""
        line = encode_entry(entry)
        self.offsets.append(self._end)
        self.places.append(entry.extents[0][0] if entry.extents else 0)
        self.nodes.append(entry.node)
        self._end += len(line)
        self._hasher.update(line)
        self.file.write(line)
        return len(self.offsets) - 1

    def finish_listing(self) -> None:
        """Put everything on disk, and make room for digests."""
        self.file.flush()
        self._digests = bytearray(DIGEST_BYTES * len(self))
        self._digested = bytearray(len(self))

    @property
    def digest(self) -> str:
        """The BLAKE3 of all rows as they were listed."""
        return self._hasher.hexdigest()

    def entry(self, number: int) -> Entry:
        """Read an entry back."""
        self.file.seek(self.offsets[number])
        return decode_entry(parse_line(self.file.readline()))

    def by_place(self, numbers: Iterable[int]) -> list[int]:
        """Return entry numbers in the order of their first cluster; one node's names together."""
        return sorted(numbers, key=lambda number: self.places[number] << 64 | self.nodes[number])

    def put_digest(self, number: int, digest: str) -> None:
        """Keep the digest of an entry's unnamed stream, where that is all there is to add."""
        at = number * DIGEST_BYTES
        self._digests[at : at + DIGEST_BYTES] = bytes.fromhex(digest)
        self._digested[number] = 1

    def put(self, number: int, entry: Entry) -> None:
        """Keep an entry that gained more than a digest."""
        self._changed[number] = entry

    def rows(self) -> Iterator[bytes]:
        """Yield all rows with what was added."""
        self.file.seek(0)
        for number, line in enumerate(self.file):
            if number in self._changed:
                yield encode_entry(self._changed[number])
            elif self._digested[number]:
                at = number * DIGEST_BYTES
                digest = self._digests[at : at + DIGEST_BYTES].hex()
                yield line[:-2] + b',"digest":"' + digest.encode() + b'"}\n'
            else:
                yield line
