"""Reading one filesystem: list it, choose what to read, read that in the order of the drive."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.boot.assemble import Assembly
from verify.boot.collect import wanted_bytes, wanted_file
from verify.content.checkpoint import Checkpoint, read_again
from verify.content.draw import (
    BLOCK_BYTES,
    LARGE_FILE_BYTES,
    Lottery,
    Lowest,
    blocks_in,
)
from verify.content.owners import find_owners, places_of
from verify.content.report import Reporter
from verify.content.row import decode_entry, encode_entry, parse_line
from verify.content.spool import Spool
from verify.content.task import Answer, Task
from verify.errors import PastEnd, ReaderError, ResumeRefused, SourceUnreadable
from verify.filesystem.entry import NOT_TRIED, Entry, Stream
from verify.filesystem.volume import Volume
from verify.source.drive import GIVEN_UP, Drive
from verify.source.window import Window

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


MOST_NAMES = 20_000_000
"""Names listed of one filesystem; a larger listing is cut there, and said to be."""

READ_BYTES = 1 << 20
"""Bytes a read; the library must not be asked for more at once."""

UNREADABLE = "it touches sectors that cannot be read"
"""Why a file has no hash, where the drive does not give its bytes back."""

_HIBERNATION_FILE = "/hiberfil.sys"
_HIBERNATED = frozenset({b"hibr", b"HIBR"})
"""The first bytes of a valid hibernation image; `wake` and `RSTR` mark one that was resumed."""

_BOOT_HEAD_BYTES = 8192

_OTHER_FILES = "the files of a partition are not those that were listed before"


@dataclass(slots=True)
class FileReading:
    """One filesystem being read; `answer` fills as it goes."""

    task: Task
    drive: Drive
    window: Window
    volume: Volume
    report: Reporter
    answer: Answer
    files: Lowest[int] = field(init=False)
    blocks: Lowest[tuple[int, int]] = field(init=False)
    always: list[int] = field(default_factory=list)
    looked_at: list[int] = field(default_factory=list)
    apart: list[int] = field(default_factory=list)
    everything: list[int] = field(default_factory=list)
    _last: tuple[int, Entry] | None = None

    def __post_init__(self) -> None:
        """Set the draws up; a `layout` draws nothing."""
        drawing = self.task.depth != "layout"
        self.files = Lowest(self.task.sample_files if drawing else 0)
        self.blocks = Lowest(self.task.sample_blocks if drawing else 0)

    def run(self) -> None:
        """List, read, and write the rows."""
        listed = Path(f"{self.task.rows}.listed")
        with Spool(listed) as spool:
            self._list(spool)
            self._look_at_boot_files(spool)
            self._read(spool)
            self._find_owners(spool)
            with Path(self.task.rows).open("wb") as out:
                out.writelines(spool.rows())

    # --- listing ---

    def _list(self, spool: Spool) -> None:
        lottery = Lottery.of(self.task.seed)
        counts = {"files": 0, "folders": 0, "bytes": 0, "links": 0, "others": 0}
        streams = stream_bytes = 0
        linked: set[int] = set()
        for entry in self.volume.entries():
            if len(spool) >= MOST_NAMES:
                self.answer.incomplete.append(f"more than {MOST_NAMES} names: the rest is left out")
                break
            wanted = wanted_file(entry.path, self.task.kind)
            entry.boot = bool(wanted and wanted.boot_set and entry.kind == "file")
            number = spool.append(entry)
            if (wanted and wanted.leading_bytes) or entry.path.lower() == _HIBERNATION_FILE:
                self.looked_at.append(number)
            counts[_COUNTED[entry.kind]] += 1
            streams += len(entry.streams)
            if entry.links == 1 or entry.node not in linked:
                counts["bytes"] += entry.size if entry.kind == "file" else 0
                stream_bytes += sum(stream.size for stream in entry.streams)
                if entry.links > 1:
                    linked.add(entry.node)
            self._choose(entry, number, lottery)
            self.report.alive()
        spool.finish_listing()
        self.answer.incomplete += self.volume.incomplete
        self.answer.listing = {
            **counts,
            "streams": streams,
            "stream_bytes": stream_bytes,
            "complete": not self.answer.incomplete,
        }
        self.report.send(listed=self.answer.listing, incomplete=self.answer.incomplete[:1000])

    def _choose(self, entry: Entry, number: int, lottery: Lottery) -> None:
        """Let an entry take part in what its kind and size make it eligible for."""
        if entry.kind != "file":
            if entry.streams or entry.reparse:
                self.apart.append(number)
            return
        if entry.boot:
            self.always.append(number)
        elif entry.size <= LARGE_FILE_BYTES:
            self.files.offer(lottery.file(entry.path) if self.files.most else 0, number)
        else:
            if entry.streams or entry.reparse:
                self.apart.append(number)
            for index in range(blocks_in(min(entry.size, self.window.size_bytes))):
                self.blocks.offer(lottery.block(entry.path, index), (number, index))
        if self.task.depth == "full":
            self.everything.append(number)

    # --- what the machine starts from ---

    def _look_at_boot_files(self, spool: Spool) -> None:
        """Hand the files that start the machine to the readers of their formats."""
        assembly = Assembly(self.task.kind)
        for number in spool.by_place(self.looked_at):
            entry = spool.entry(number)
            length = min(entry.size, wanted_bytes(entry.path, self.task.kind))
            hibernation = entry.path.lower() == _HIBERNATION_FILE
            try:
                if hibernation:
                    head = self.volume.read(entry, 0, min(entry.size, 4))
                    self.answer.hibernation = "hibernated" if head in _HIBERNATED else None
                elif entry.kind == "file":
                    data = b"".join(self._bytes(entry, length, None))
                    assembly.add(entry.path, data, entry.size)
            except (ReaderError, SourceUnreadable) as error:
                if hibernation:
                    self.answer.incomplete.append(f"{entry.path}: {error}")
                else:
                    assembly.unreadable(entry.path, str(error))
            self.report.alive()
        try:
            head = self.window.read(0, min(_BOOT_HEAD_BYTES, self.window.size_bytes))
        except (SourceUnreadable, PastEnd):
            head = b""
        self.answer.boot = asdict(assembly.record(head))

    # --- reading ---

    def _read(self, spool: Spool) -> None:
        whole = set(self.always)
        apart: set[int] = set()
        large: dict[int, list[int]] = {}
        if self.task.depth != "layout":
            whole.update(self.files.items, self.everything)
            apart.update(self.apart)
            for number, index in self.blocks.items:
                large.setdefault(number, []).append(index)
        contents = self._contents_before()
        self.answer.contents = contents
        self.report.send(expect=self._bytes_ahead(spool, whole, large))
        with self._checkpoint(spool) as checkpoint:
            done = self._restore(spool, checkpoint, contents)
            order = spool.by_place((whole | apart | large.keys()) - done)
            self._read_all(spool, order, contents, checkpoint, (whole, apart, large))
        self.report.flush()

    def _checkpoint(self, spool: Spool) -> AbstractContextManager[Checkpoint | None]:
        if self.task.checkpoint is None:
            return nullcontext()
        return Checkpoint(Path(self.task.checkpoint), spool.digest)

    def _restore(
        self, spool: Spool, checkpoint: Checkpoint | None, contents: dict[str, int | str]
    ) -> set[int]:
        """Take over what was read before, if the drive is seen to be the same still.

        Raises:
            ResumeRefused: it is not.
        """
        known: dict[int, bytes] = {} if checkpoint is None else dict(checkpoint.noted())
        if checkpoint is None or not known:
            return set()
        if not checkpoint.fits or max(known) >= len(spool):
            raise ResumeRefused(str(checkpoint.path.parent), _OTHER_FILES)
        for number in read_again(sorted(known)):
            before, entry = _noted(spool, number, known[number]), spool.entry(number)
            blocks = [index for index, _ in before.blocks]
            self._read_entry(entry, blocks, whole=True, streams=True)
            if entry != before:
                reason = f"{entry.path} does not read as it did"
                raise ResumeRefused(str(checkpoint.path.parent), reason)
        for number, text in known.items():
            entry = _noted(spool, number, text)
            self.report.advance(entry.size + sum(stream.size for stream in entry.streams))
            self._keep(spool, number, entry, contents)
        return set(known)

    def _read_all(
        self,
        spool: Spool,
        order: list[int],
        contents: dict[str, int | str],
        checkpoint: Checkpoint | None,
        wanted: tuple[set[int], set[int], dict[int, list[int]]],
    ) -> None:
        """Read what `order` names: whole, its streams apart, or blocks of it, as is wanted."""
        whole, apart, large = wanted
        for number in order:
            entry = spool.entry(number)
            known = self._last[1] if self._last and self._last[0] == entry.node else None
            if known is not None and entry.links > 1 and number in whole:
                _copy_digests(known, entry)
            else:
                failures, hard = self.drive.failures, self._hard_failures
                self._read_entry(
                    entry,
                    large.get(number, ()),
                    whole=number in whole,
                    streams=number in whole or number in apart,
                )
                touched = self.drive.failures > failures and self._owns_unreadable(entry)
                if touched or self._hard_failures > hard:
                    _drop_digests(entry, GIVEN_UP if self.drive.given_up else UNREADABLE)
            self._keep(spool, number, entry, contents)
            if checkpoint is not None and number in whole and not entry.unhashed:
                checkpoint.note(number, _note_of(entry))
            self._last = (entry.node, entry) if number in whole else None

    @property
    def _hard_failures(self) -> int:
        """Reads that gave nothing: whatever a library made of them, no hash may cover them."""
        return self.drive.failures - self.volume.narrowed

    def _owns_unreadable(self, entry: Entry) -> bool:
        """Whether a sector that failed lies in an entry's clusters, or may."""
        try:
            places = list(places_of(entry, self.volume))
        except ReaderError:
            return True
        return any(
            start < self.window.start + place.start + place.length
            and self.window.start + place.start < start + length
            for start, length in self.drive.unreadable
            for place in places
        )

    def _contents_before(self) -> dict[str, int | str]:
        return {
            "files_in_draw": self.files.offered,
            "files_drawn": len(self.files.items),
            "threshold": f"{max(0, self.files.threshold):016X}",
            "blocks_in_draw": self.blocks.offered,
            "blocks_drawn": len(self.blocks.items),
            "block_threshold": f"{max(0, self.blocks.threshold):016X}",
            "block_bytes": BLOCK_BYTES,
            "always": len(self.always),
            "files_hashed": 0,
            "bytes_hashed": 0,
            "files_unreadable": 0,
        }

    def _find_owners(self, spool: Spool) -> None:
        """Tell whose the sectors of this volume are that failed, whenever they did."""
        ends = self.window.start + self.window.size_bytes
        bad = [
            (start - self.window.start, length)
            for start, length in self.drive.unreadable
            if self.window.start <= start < ends
        ]
        complete = not self.answer.incomplete
        owners = find_owners(bad, spool, self.volume, complete=complete)
        self.answer.owners = [asdict(owner) for owner in owners]
        if self.drive.given_up:
            self.answer.given_up = GIVEN_UP

    def _bytes_ahead(self, spool: Spool, whole: set[int], large: dict[int, list[int]]) -> int:
        if self.task.depth == "full" and self.answer.listing:
            return int(self.answer.listing["bytes"]) + int(self.answer.listing["stream_bytes"])
        ahead = 0
        for number in whole | large.keys():
            if number in whole:
                entry = spool.entry(number)
                ahead += entry.size + sum(stream.size for stream in entry.streams)
            else:
                ahead += len(large.get(number, ())) * BLOCK_BYTES
        return ahead

    def _read_entry(
        self, entry: Entry, blocks: Sequence[int], *, whole: bool, streams: bool
    ) -> None:
        """Hash an entry's unnamed stream (or blocks of it), its named ones, its reparse data."""
        if entry.unhashed:
            return
        if entry.size > self.window.size_bytes:
            entry.unhashed = NOT_TRIED
            return
        try:
            if whole and entry.kind == "file":
                entry.digest = self._digest(entry, entry.size, None, set(blocks))
            elif not whole:
                for index in sorted(blocks):
                    self._read_block(entry, index)
            if streams:
                for stream in entry.streams:
                    stream.digest = self._digest(entry, stream.size, stream.name, set())
                if entry.reparse:
                    data = self.volume.reparse_data(entry)
                    entry.reparse_digest = blake3(data).hexdigest()
        except (ReaderError, SourceUnreadable) as error:
            _drop_digests(entry, _reason(error))

    def _bytes(self, entry: Entry, size: int, stream: str | None) -> Iterator[bytes]:
        for offset in range(0, size, READ_BYTES):
            data = self.volume.read(entry, offset, min(READ_BYTES, size - offset), stream)
            self.report.advance(len(data))
            yield data

    def _digest(self, entry: Entry, size: int, stream: str | None, blocks: set[int]) -> str:
        """Hash a stream from its start to its end, keeping the digests of drawn blocks."""
        hasher = blake3()
        for index, data in enumerate(self._bytes(entry, size, stream)):
            hasher.update(data)
            if index in blocks:
                entry.blocks.append((index, blake3(data).hexdigest()))
        return hasher.hexdigest()

    def _read_block(self, entry: Entry, index: int) -> None:
        offset = index * BLOCK_BYTES
        data = self.volume.read(entry, offset, min(BLOCK_BYTES, entry.size - offset))
        self.report.advance(len(data))
        entry.blocks.append((index, blake3(data).hexdigest()))

    def _keep(
        self, spool: Spool, number: int, entry: Entry, contents: dict[str, int | str]
    ) -> None:
        if entry.unhashed:
            _add(contents, "files_unreadable", 1)
        elif entry.digest is not None:
            _add(contents, "files_hashed", 1)
            _add(contents, "bytes_hashed", entry.size)
        else:
            _add(contents, "bytes_hashed", len(entry.blocks) * BLOCK_BYTES)
        if _is_plain(entry) and entry.digest is not None:
            spool.put_digest(number, entry.digest)
        else:
            spool.put(number, entry)


_COUNTED = {"file": "files", "folder": "folders", "link": "links", "other": "others"}


def _add(contents: dict[str, int | str], name: str, count: int) -> None:
    contents[name] = int(contents[name]) + count


def _is_plain(entry: Entry) -> bool:
    """Whether the digest of the unnamed stream is all that reading added."""
    added = entry.streams or entry.reparse or entry.blocks or entry.unhashed
    return entry.digest is not None and not added


def _note_of(entry: Entry) -> bytes:
    """Return what a checkpoint keeps of an entry that was read: its digest, or its row."""
    if _is_plain(entry) and entry.digest is not None:
        return entry.digest.encode("ascii")
    return encode_entry(entry).rstrip(b"\n")


def _noted(spool: Spool, number: int, text: bytes) -> Entry:
    """Return an entry as a checkpoint has it."""
    if text.startswith(b"{"):
        return decode_entry(parse_line(text))
    entry = spool.entry(number)
    entry.digest = text.decode("ascii")
    return entry


def _reason(error: ReaderError | SourceUnreadable) -> str:
    return UNREADABLE if isinstance(error, SourceUnreadable) else error.reason


def _copy_digests(known: Entry, entry: Entry) -> None:
    """Give a further name of one file what was read under its first."""
    entry.digest, entry.unhashed = known.digest, known.unhashed
    entry.reparse_digest, entry.blocks = known.reparse_digest, list(known.blocks)
    entry.streams = [Stream(item.name, item.size, item.digest) for item in known.streams]


def _drop_digests(entry: Entry, reason: str) -> None:
    """Take back whatever was hashed of an entry, since not all of it could be read."""
    entry.digest = entry.reparse_digest = None
    entry.blocks = []
    for stream in entry.streams:
        stream.digest = None
    entry.unhashed = reason
