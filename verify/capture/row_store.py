"""The rows of one listing on disk, with just enough of each in memory to plan the reading.

Some seventy bytes a name stay in memory, so that a drive of a million files takes as little as one
of a thousand; everything else waits in the file.
"""

from __future__ import annotations

from array import array
from binascii import unhexlify
from dataclasses import dataclass, field
from itertools import accumulate, compress
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Self

from blake3 import blake3

from verify.capture.batch import FURTHER, LARGE_FILE, SMALL_FILE, Rows
from verify.filesystem.entry import Entry
from verify.manifest.row import decode_entry, encode_entry, parse_line, zero_fields
from verify.manifest.segment import MOST_ROWS, NO_HEAD, encode_segment
from verify.manifest.totals import Totals
from verify.manifest.zeros import Zeros

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


DIGEST_BYTES = 32


@dataclass(slots=True)
class _Range:
    """The rows of a segment: from which number on, and what they count for as they were listed."""

    first: int
    totals: Totals


@dataclass(slots=True)
class RowStore:
    """Entries in the order they were listed, each known by its number, from 0."""

    path: Path
    offsets: array[int] = field(default_factory=lambda: array("Q"))
    places: array[int] = field(default_factory=lambda: array("Q"))
    nodes: array[int] = field(default_factory=lambda: array("Q"))
    placed: set[int] = field(default_factory=set)
    sizes: array[int] = field(default_factory=lambda: array("Q"))
    _sorts: bytearray = field(default_factory=bytearray)
    _clusters: array[int] = field(default_factory=lambda: array("Q"))
    _ranges: list[_Range] = field(default_factory=list)
    _digests: bytearray = field(default_factory=bytearray)
    _digested: bytearray = field(default_factory=bytearray)
    _zeros: dict[int, Zeros] = field(default_factory=dict)
    _changed: dict[int, Entry] = field(default_factory=dict)
    _file: BinaryIO | None = None
    _shared: BinaryIO | None = None
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
        """The open file of rows."""
        if self._file is None:
            raise ValueError("the row store is not open")
        return self._file

    def __len__(self) -> int:
        return len(self.offsets)

    def append(self, entry: Entry) -> int:
        """Write an entry to the end and return its number."""
        return self.take(Rows.of([entry]))

    def take(self, rows: Rows) -> int:
        """Write rows to the end and return the number of the first."""
        first = len(self)
        *starts, end = accumulate(rows.lengths, initial=self._end)
        self.offsets.extend(starts)
        self.places.extend(rows.places)
        self.nodes.extend(rows.nodes)
        self.sizes.extend(rows.sizes)
        self._sorts += rows.sorts
        self._clusters.extend(rows.clusters)
        self._add_to_segments(first, rows)
        self._end = end
        self._hasher.update(rows.text)
        self.file.write(rows.text)
        return first

    def _add_to_segments(self, number: int, rows: Rows) -> None:
        for index, totals in enumerate(rows.segments):
            begins = index or rows.begins or not self._ranges
            if begins or self._ranges[-1].totals.rows + totals.rows > MOST_ROWS:
                self._ranges.append(_Range(number, totals))
            else:
                self._ranges[-1].totals.add(totals)
            number += totals.rows

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

    def is_bare(self, number: int) -> bool:
        """Whether an entry is a file that has nothing but its unnamed stream."""
        return self._sorts[number] in {SMALL_FILE, LARGE_FILE}

    def reopen(self) -> None:
        """Take a file position of one's own, in a copy of the process.

        NOTE: the file that both know stays open: closing it would put back what it has read ahead,
        and move the position that the other process reads from.
        """
        self._shared, self._file = self._file, self.path.open("rb")

    def by_place(self, numbers: Iterable[int]) -> list[int]:
        """Return entry numbers in the order of their first cluster; one node's names together."""
        return sorted(numbers, key=lambda number: self.places[number] << 64 | self.nodes[number])

    def put_digest(self, number: int, digest: bytes, zeros: Zeros | None = None) -> None:
        """Keep the digest (hex) of an entry's unnamed stream, where that is all there is to add.

        `zeros`: its zero blocks, where it has any.
        """
        if zeros is not None:
            self._zeros[number] = zeros
        at = number * DIGEST_BYTES
        self._digests[at : at + DIGEST_BYTES] = unhexlify(digest)
        self._digested[number] = 1

    def put(self, number: int, entry: Entry) -> None:
        """Keep an entry that gained more than a digest."""
        self._changed[number] = entry
        self._sorts[number] = FURTHER

    def rows(self) -> Iterator[bytes]:
        """Yield all rows with what was added, segment by segment, each behind its head."""
        self.file.seek(0)
        ends = [item.first for item in self._ranges[1:]] + [len(self)]
        for segment, end in zip(self._ranges, ends, strict=True):
            first, totals, whole = segment.first, segment.totals, True
            start, stop = self.offsets[first], self.offsets[end] if end < len(self) else self._end
            text = self.file.read(stop - start)
            if max(self._sorts[first:end]) <= SMALL_FILE and self.placed.isdisjoint(
                range(first, end)
            ):
                text = self._plain_rows(first, end, text, totals)
            else:
                text, whole = self._any_rows(first, text, totals)
            clusters = self._clusters[first:end]
            yield encode_segment(text, clusters, totals) if whole else NO_HEAD
            yield text

    def _plain_rows(self, first: int, end: int, text: bytes, totals: Totals) -> bytes:
        """Return rows that gained digests at most, and count them."""
        sizes, digested = self.sizes[first:end], self._digested[first:end]
        hashed = list(compress(sizes, digested))
        small = [sort == SMALL_FILE for sort in self._sorts[first:end]]
        totals.add_plain(list(compress(sizes, small)), hashed)
        if not hashed:
            return text
        digests = self._digests[first * DIGEST_BYTES : end * DIGEST_BYTES].hex().encode()
        ends = range(0, len(digests), 2 * DIGEST_BYTES)
        numbers = range(first, end)
        lines = zip(text.splitlines(keepends=True), ends, digested, numbers, strict=True)
        return b"".join(
            _with_digest(line, digests[at : at + 2 * DIGEST_BYTES], self._zero_marks(number))
            if has
            else line
            for line, at, has, number in lines
        )

    def _zero_marks(self, number: int) -> bytes:
        zeros = self._zeros.get(number)
        return b"" if zeros is None else zero_fields(zeros.blocks, tail=zeros.tail).encode("ascii")

    def _any_rows(self, first: int, text: bytes, totals: Totals) -> tuple[bytes, bool]:
        """Return rows with what they gained, count them, and say whether all could be read."""
        rows, whole = [], True
        for number, line in enumerate(text.splitlines(keepends=True), first):
            row, entry = self._row(number, line)
            rows.append(row)
            if entry is not None:
                totals.add_read(entry, entry)
                whole = whole and not entry.unhashed
            elif self._sorts[number] == SMALL_FILE:
                size, hashed = self.sizes[number], bool(self._digested[number])
                placed = hashed and number in self.placed
                totals.add_plain([size], [size] if hashed else [], placed=placed)
        return b"".join(rows), whole

    def _row(self, number: int, line: bytes) -> tuple[bytes, Entry | None]:
        """Return a row with what was added, and its entry where that may be more than a digest."""
        entry = self._changed.get(number)
        placed = number in self.placed
        if entry is not None:
            entry.placed = placed
            return encode_entry(entry), entry
        if self._digested[number]:
            at = number * DIGEST_BYTES
            digest = self._digests[at : at + DIGEST_BYTES].hex().encode()
            marks = self._zero_marks(number) + (b',"placed":true' if placed else b"")
            line = _with_digest(line, digest, marks)
        if self._sorts[number] >= LARGE_FILE:
            entry = decode_entry(parse_line(line))
        return line, entry


def _with_digest(line: bytes, digest: bytes, marks: bytes) -> bytes:
    """Return a row that gained the digest of its unnamed stream, and marks behind it."""
    return b'%s,"digest":"%s"%s}\n' % (line[:-2], digest, marks)
