"""Reading the files of a volume in the order of the drive: hashes of them, and what failed."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.capture.checkpoint import digest_noted
from verify.capture.owners import places_of
from verify.capture.readers.messages import Reporter
from verify.capture.straight_contents import READ_BYTES, straight_contents
from verify.errors import ReaderError, SourceUnreadable
from verify.filesystem.entry import NOT_TRIED, TOUCHES_UNREADABLE, Entry, Stream
from verify.filesystem.volume import Volume
from verify.manifest.draw import FILE_BLOCK_BYTES, blocks_in_file
from verify.manifest.row import decode_entry, encode_entry, parse_line
from verify.manifest.zeros import Zeros
from verify.source.drive import GIVEN_UP, Drive
from verify.source.window import Window

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator

    from verify.capture.row_store import RowStore

OPENED_AHEAD = 2_000
"""Files whose records are read together before the first of them: at most 32 MB of records."""

_TAIL = b"t"
"""Behind the number of zero blocks in a note, where the end of the file is zero as well."""


@dataclass(slots=True)
class Wanted:
    """What is read of which entries, by their numbers in the row store.

    `whole`: all of them; `apart`: their named streams and reparse data; `blocks`: blocks of large
    files, by index.
    """

    whole: set[int] = field(default_factory=set)
    apart: set[int] = field(default_factory=set)
    blocks: dict[int, list[int]] = field(default_factory=dict)

    @property
    def numbers(self) -> set[int]:
        """Every entry of which anything is read."""
        return self.whole | self.apart | self.blocks.keys()


@dataclass(slots=True)
class EntryReading:
    """Reads entries of one volume. What it found of one is a note: its BLAKE3, or its whole row.

    Behind a BLAKE3 stand its zero blocks, where it has any.
    """

    drive: Drive
    window: Window
    volume: Volume
    report: Reporter
    _last: tuple[int, bytes] = (-1, b"")

    def read_all(
        self, store: RowStore, order: Iterable[int], wanted: Wanted
    ) -> Iterator[tuple[int, bytes]]:
        """Yield (number, note) of the entries that `order` names, as each is read.

        Further names of one file, which stand side by side in the drive's order, are read once.
        """
        rest = iter(order)
        while batch := list(islice(rest, OPENED_AHEAD)):
            left = dict.fromkeys(batch)
            bare = [
                number
                for number in batch
                if number in wanted.whole
                and store.is_bare(number)
                and store.sizes[number] <= READ_BYTES
                and number not in wanted.blocks
            ]
            for number, data in straight_contents(self.window, self.volume, store, bare):
                del left[number]
                self.report.advance(len(data))
                yield number, _note_of_bytes(data)
            yield from self._read_singly(store, left, wanted)

    def _read_singly(
        self, store: RowStore, numbers: Collection[int], wanted: Wanted
    ) -> Iterator[tuple[int, bytes]]:
        """Yield (number, note) of the entries that the volume's reader opens one by one.

        What opens them is read ahead, in the order of the drive.
        """
        if numbers:
            self.volume.prepare(store.nodes[number] for number in numbers)
        for number in numbers:
            node, whole = store.nodes[number], number in wanted.whole
            if whole and node == self._last[0] and number not in wanted.blocks:
                note = _of_same_file(store, number, self._last[1])
            elif whole and store.is_bare(number) and number not in wanted.blocks:
                note = self._read_bare(store, number)
            else:
                note = note_of(self._read_one(store.entry(number), number, wanted))
            self._last = node if whole else -1, note
            yield number, note

    def _read_bare(self, store: RowStore, number: int) -> bytes:
        """Read a file that has nothing but its unnamed stream; its row is seldom needed for it."""
        size = store.sizes[number]
        if size > self.window.size_bytes:
            return note_of(self._read_one(store.entry(number), number, Wanted({number})))
        failures, narrowed = self.drive.failures, self.volume.narrowed
        entry = Entry("file", "", size=size, node=store.nodes[number])
        self.read_entry(entry, (), whole=True, streams=False)
        if entry.digest is not None and failures == self.drive.failures:
            return note_of(entry)
        full = store.entry(number)
        full.digest, full.unhashed = entry.digest, entry.unhashed
        full.zero_blocks, full.zero_tail = entry.zero_blocks, entry.zero_tail
        self._doubt(full, (failures, failures - narrowed))
        return note_of(full)

    def _read_one(self, entry: Entry, number: int, wanted: Wanted) -> Entry:
        before, whole = self._failures, number in wanted.whole
        self.read_entry(
            entry,
            wanted.blocks.get(number, ()),
            whole=whole,
            streams=whole or number in wanted.apart,
        )
        self._doubt(entry, before)
        return entry

    @property
    def _failures(self) -> tuple[int, int]:
        """Reads that failed, and those of them that gave nothing.

        Whatever a library made of the latter, no hash may cover them.
        """
        return self.drive.failures, self.drive.failures - self.volume.narrowed

    def _doubt(self, entry: Entry, before: tuple[int, int]) -> None:
        """Take back the hashes of an entry that a read failed for since `before`."""
        failures, hard = self._failures
        touched = failures > before[0] and self._owns_unreadable(entry)
        if touched or hard > before[1]:
            _drop_digests(entry, GIVEN_UP if self.drive.given_up else TOUCHES_UNREADABLE)

    def _owns_unreadable(self, entry: Entry) -> bool:
        """Whether a sector that failed lies in an entry's clusters, or may."""
        try:
            places = list(places_of(entry, self.volume))
        except ReaderError:
            return True
        return any(
            self.drive.is_unreadable(self.window.start + place.start, place.length)
            for place in places
        )

    def read_entry(
        self, entry: Entry, blocks: Collection[int], *, whole: bool, streams: bool
    ) -> None:
        """Hash an entry's unnamed stream (or blocks of it), its named ones, its reparse data."""
        if entry.unhashed:
            return
        if entry.size > self.window.size_bytes:
            entry.unhashed = NOT_TRIED
            return
        try:
            if whole and entry.kind == "file":
                zeros = Zeros()
                entry.digest = self._digest(entry, entry.size, None, blocks, zeros)
                entry.zero_blocks, entry.zero_tail = zeros.blocks, zeros.tail
            elif not whole:
                for index in sorted(blocks):
                    self._read_block(entry, index)
            if streams:
                for stream in entry.streams:
                    stream.digest = self._digest(entry, stream.size, stream.name, (), Zeros())
                if entry.reparse:
                    data = self.volume.reparse_data(entry)
                    entry.reparse_digest = blake3(data).hexdigest()
        except (ReaderError, SourceUnreadable) as error:
            _drop_digests(entry, _reason(error))

    def pieces_of(self, entry: Entry, size: int, stream: str | None = None) -> Iterator[bytes]:
        """Yield the first `size` bytes of a stream in pieces of `READ_BYTES`."""
        for offset in range(0, size, READ_BYTES):
            data = self.volume.read(entry, offset, min(READ_BYTES, size - offset), stream)
            self.report.advance(len(data))
            yield data

    def _digest(
        self, entry: Entry, size: int, stream: str | None, blocks: Collection[int], zeros: Zeros
    ) -> str:
        """Hash a stream from its start to its end, keeping the digests of drawn blocks.

        A piece is hashed while the next one is read.
        """
        if size <= READ_BYTES and not blocks:
            data = self.volume.read(entry, 0, size, stream)
            self.report.advance(size)
            zeros.see(data)
            return blake3(data).hexdigest()
        hasher = blake3()
        with ThreadPoolExecutor(1) as beside:
            running: Future[None] | None = None
            first = 0
            for data in self.pieces_of(entry, size, stream):
                if running is not None:
                    running.result()
                last = first + blocks_in_file(len(data))
                drawn = [index for index in range(first, last) if index in blocks]
                zeros.see(data)
                running = beside.submit(_hash_piece, hasher, data, first, drawn, entry.blocks)
                first = last
        if running is not None:
            running.result()
        return hasher.hexdigest()

    def _read_block(self, entry: Entry, index: int) -> None:
        offset = index * FILE_BLOCK_BYTES
        data = self.volume.read(entry, offset, min(FILE_BLOCK_BYTES, entry.size - offset))
        self.report.advance(len(data))
        entry.blocks.append((index, blake3(data).hexdigest()))


def _hash_piece(
    hasher: blake3, data: bytes, first: int, drawn: list[int], found: list[tuple[int, str]]
) -> None:
    """Hash a piece, and by themselves the drawn ones of its blocks, which count from `first`."""
    hasher.update(data)
    for index in drawn:
        at = (index - first) * FILE_BLOCK_BYTES
        found.append((index, blake3(data[at : at + FILE_BLOCK_BYTES]).hexdigest()))


def note_of(entry: Entry) -> bytes:
    """Return what is kept of an entry that was read: its digest, where that is all, or its row."""
    further = entry.streams or entry.reparse or entry.blocks or entry.unhashed
    if entry.digest is not None and not further:
        return _digest_note(entry.digest, Zeros(entry.zero_blocks, entry.zero_tail))
    return encode_entry(entry).rstrip(b"\n")


def _digest_note(digest: str, zeros: Zeros) -> bytes:
    note = digest.encode("ascii")
    if zeros.blocks or zeros.tail:
        note += b" %d%s" % (zeros.blocks, _TAIL if zeros.tail else b"")
    return note


def _note_of_bytes(data: bytes) -> bytes:
    """Return what is kept of a file with these contents, and nothing beside them."""
    zeros = Zeros()
    zeros.see(data)
    return _digest_note(blake3(data).hexdigest(), zeros)


def is_digest(note: bytes) -> bool:
    """Whether a note is a digest alone."""
    return not note.startswith(b"{")


def noted_entry(store: RowStore, number: int, note: bytes) -> Entry:
    """Return an entry as its note has it; ValueError where the note is malformed."""
    if not is_digest(note):
        return decode_entry(parse_line(note))
    entry = store.entry(number)
    digest, zeros = parted(note)
    entry.digest = digest_noted(digest)
    if zeros is not None:
        entry.zero_blocks, entry.zero_tail = zeros.blocks, zeros.tail
    return entry


def parted(note: bytes) -> tuple[bytes, Zeros | None]:
    """Part a digest from its zero blocks; ValueError where these are no number."""
    digest, _, told = note.partition(b" ")
    if not told:
        return digest, None
    tail = told.endswith(_TAIL)
    return digest, Zeros(int(told.removesuffix(_TAIL)), tail)


def _of_same_file(store: RowStore, number: int, note: bytes) -> bytes:
    """Give a further name of one file what was read under another, but for the blocks drawn."""
    if is_digest(note):
        return note
    known, entry = decode_entry(parse_line(note)), store.entry(number)
    entry.digest, entry.unhashed = known.digest, known.unhashed
    entry.zero_blocks, entry.zero_tail = known.zero_blocks, known.zero_tail
    entry.reparse_digest = known.reparse_digest
    entry.streams = [Stream(item.name, item.size, item.digest) for item in known.streams]
    return note_of(entry)


def _reason(error: ReaderError | SourceUnreadable) -> str:
    return TOUCHES_UNREADABLE if isinstance(error, SourceUnreadable) else error.reason


def _drop_digests(entry: Entry, reason: str) -> None:
    """Take back whatever was hashed of an entry, since not all of it could be read."""
    entry.digest = entry.reparse_digest = None
    entry.zero_blocks, entry.zero_tail = 0, False
    entry.blocks = []
    for stream in entry.streams:
        stream.digest = None
    entry.unhashed = reason
