"""Reading one filesystem: list it, choose what to read, read that in the order of the drive."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from verify.boot.assemble import Assembly
from verify.boot.collect import wanted_bytes
from verify.capture.batch import HIBERNATION_FILE, BatchMaker
from verify.capture.checkpoint import NO_NOTE, Checkpoint, read_again
from verify.capture.file_reading import EntryReading, Wanted, is_digest, noted_entry, parted
from verify.capture.listing import VolumeListing
from verify.capture.owners import find_owners
from verify.capture.readers.messages import Reporter
from verify.capture.readers.shared_reading import is_worth_a_helper, read_with_helper
from verify.capture.readers.task import Answer, Task
from verify.capture.row_store import RowStore
from verify.capture.selection import Selection
from verify.errors import PastEnd, ReaderError, ResumeRefused, SourceUnreadable
from verify.filesystem.volume import Volume
from verify.manifest.draw import FILE_BLOCK_BYTES
from verify.manifest.listing_counts import ListingCounts
from verify.manifest.partition_contents import Contents
from verify.source.drive import GIVEN_UP, Drive
from verify.source.window import Window
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry


MOST_NAMES = 20_000_000
"""Names listed of one filesystem; a larger listing is cut there, and said to be."""

_HIBERNATED = frozenset({b"hibr", b"HIBR"})
"""The first bytes of a valid hibernation image; `wake` and `RSTR` mark one that was resumed."""

_BOOT_HEAD_BYTES = 8192

COMPRESSED_BY_SYSTEM = "80000017"
"""[MS-FSCC] 2.1.2.1, IO_REPARSE_TAG_WOF: the unnamed stream reads as zeros, another has it all."""

_OTHER_FILES = say("the files of a partition have changed")


@dataclass(slots=True)
class FileReading:
    """One filesystem being read; `answer` fills as it goes."""

    task: Task
    drive: Drive
    window: Window
    volume: Volume
    report: Reporter
    answer: Answer
    selection: Selection = field(init=False)
    reading: EntryReading = field(init=False)
    _hashed: int = 0
    _hashed_bytes: int = 0
    _unreadable: int = 0

    def __post_init__(self) -> None:
        """Set the draws up."""
        self.reading = EntryReading(self.drive, self.window, self.volume, self.report)
        self.selection = Selection(self.task)

    def run(self) -> None:
        """List, read, and write the rows."""
        listed = Path(f"{self.task.rows}.listed")
        with RowStore(listed) as store:
            self._list(store)
            self._name_faults(store)
            self._look_at_boot_files(store)
            self._read(store)
            self._find_owners(store)
            with Path(self.task.rows).open("wb") as out:
                out.writelines(store.rows())

    # --- listing ---

    def _list(self, store: RowStore) -> None:
        counts, maker = ListingCounts(), BatchMaker(self.task, self.volume)
        folders: set[int] = set()
        twice: list[str] = []
        aside = Path(f"{self.task.rows}.aside")
        for batch in VolumeListing(maker, self.drive, self.report, aside).batches():
            if len(store) + len(batch.rows.lengths) > MOST_NAMES:
                self.answer.incomplete.append(
                    say("more than {most_names} names: the rest is left out", most_names=MOST_NAMES)
                )
                break
            self.selection.take(batch, store.take(batch.rows))
            counts.add(batch.counts)
            twice += [path for node, path in batch.folders if node in folders]
            folders.update(node for node, _ in batch.folders)
        store.finish_listing()
        told = [say("{path}: a folder that leads back to itself", path=path) for path in twice]
        self.answer.incomplete += dict.fromkeys([*self.volume.incomplete, *told])
        self.answer.change_journal = self.volume.change_journal()
        self.answer.listing = counts.listing(complete=not self.answer.incomplete)
        self.report.send(
            listed=asdict(self.answer.listing), incomplete=self.answer.incomplete[:1000]
        )

    def _name_faults(self, store: RowStore) -> None:
        """Give the faults of the examination the names of the files and folders that they hit."""
        if self.answer.examination is None:
            return
        wanted = self.answer.examination.nodes
        if not wanted:
            return
        first: dict[int, int] = {}
        for number, node in enumerate(store.nodes):
            if node in wanted:
                first.setdefault(node, number)
        paths = {node: store.entry(number).path for node, number in first.items()}
        self.answer.examination = self.answer.examination.with_paths(paths)

    # --- what the machine starts from ---

    def _look_at_boot_files(self, store: RowStore) -> None:
        """Hand the files that start the machine to the readers of their formats."""
        assembly = Assembly(self.task.kind)
        for number in store.by_place(self.selection.looked_at):
            entry = store.entry(number)
            length = min(entry.size, wanted_bytes(entry.path, self.task.kind))
            hibernation = entry.path.lower() == HIBERNATION_FILE
            try:
                if hibernation:
                    head = self.volume.read(entry, 0, min(entry.size, 4))
                    self.answer.hibernation = "hibernated" if head in _HIBERNATED else None
                elif entry.kind == "file":
                    data = b"".join(self.reading.pieces_of(entry, length))
                    assembly.add(entry.path, data, entry.size)
                    self._hold_to_its_form(assembly, entry)
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
        self.answer.boot = assembly.record(head)

    def _hold_to_its_form(self, assembly: Assembly, entry: Entry) -> None:
        if entry.reparse == COMPRESSED_BY_SYSTEM:
            return
        try:
            assembly.hold(entry.path, entry.size, partial(self.volume.read, entry))
        except (ReaderError, SourceUnreadable) as error:
            assembly.not_held(entry.path, str(error))

    # --- reading ---

    def _read(self, store: RowStore) -> None:
        wanted = self.selection.wanted()
        store.placed.update(self.selection.placed)
        self.answer.contents = self.selection.contents()
        self.report.send(expect=self._bytes_ahead(store, wanted))
        with self._checkpoint(store) as checkpoint:
            done = self._restored(store, checkpoint)
            order = store.by_place(wanted.numbers - done)
            try:
                for number, note in self._notes(store, order, wanted):
                    unread = self._keep(store, number, note)
                    if checkpoint is not None and number in wanted.whole and not unread:
                        checkpoint.note(number, note)
            finally:
                self._tell_counts()
        self.report.flush()

    def _notes(
        self, store: RowStore, order: list[int], wanted: Wanted
    ) -> Iterator[tuple[int, bytes]]:
        if self.task.readers > 1 and is_worth_a_helper(store, order, wanted):
            return read_with_helper(self.reading, store, order, wanted)
        return self.reading.read_all(store, order, wanted)

    def _checkpoint(self, store: RowStore) -> AbstractContextManager[Checkpoint | None]:
        if self.task.checkpoint is None:
            return nullcontext()
        return Checkpoint(Path(self.task.checkpoint), store.digest)

    def _restored(self, store: RowStore, checkpoint: Checkpoint | None) -> set[int]:
        """Take over what was read before; a malformed or foreign note ends it."""
        if checkpoint is None:
            return set()
        try:
            return self._restore(store, checkpoint)
        except ValueError as error:
            raise ResumeRefused(str(checkpoint.path.parent), NO_NOTE) from error

    def _restore(self, store: RowStore, checkpoint: Checkpoint) -> set[int]:
        """Take over what was read before, if the drive is seen to be the same still.

        Raises:
            ResumeRefused: it is not.
        """
        known = dict(checkpoint.noted())
        if not known:
            return set()
        if not checkpoint.fits or max(known) >= len(store):
            raise ResumeRefused(str(checkpoint.path.parent), _OTHER_FILES)
        for number in read_again(sorted(known)):
            before, entry = noted_entry(store, number, known[number]), store.entry(number)
            blocks = [index for index, _ in before.blocks]
            self.reading.read_entry(entry, blocks, whole=True, streams=True)
            if entry != before:
                reason = say("{path} has changed", path=entry.path)
                raise ResumeRefused(str(checkpoint.path.parent), reason)
        for number, note in known.items():
            entry = noted_entry(store, number, note)
            self.report.advance(entry.size + sum(stream.size for stream in entry.streams))
            self._keep(store, number, note)
        return set(known)

    def _find_owners(self, store: RowStore) -> None:
        """Tell whose the sectors of this volume are that failed, whenever they did."""
        ends = self.window.start + self.window.size_bytes
        bad = [
            (start - self.window.start, length)
            for start, length in self.drive.unreadable
            if self.window.start <= start < ends
        ]
        complete = not self.answer.incomplete
        self.answer.owners = find_owners(bad, store, self.volume, complete=complete)
        if self.drive.given_up:
            self.answer.given_up = GIVEN_UP

    def _bytes_ahead(self, store: RowStore, wanted: Wanted) -> int:
        if self.task.depth == "full" and self.answer.listing:
            return self.answer.listing.bytes + self.answer.listing.stream_bytes
        ahead = sum(store.sizes[number] for number in wanted.whole)
        blocks = (indexes for at, indexes in wanted.blocks.items() if at not in wanted.whole)
        return ahead + sum(map(len, blocks)) * FILE_BLOCK_BYTES

    def _keep(self, store: RowStore, number: int, note: bytes) -> bool:
        """Put what was read of an entry to its row; whether it could not be read."""
        if is_digest(note):
            store.put_digest(number, *parted(note))
            self._count(hashed=1, read_bytes=store.sizes[number])
            return False
        entry = noted_entry(store, number, note)
        store.put(number, entry)
        if entry.unhashed:
            self._count(unreadable=1)
        elif entry.digest is not None:
            self._count(hashed=1, read_bytes=entry.size)
        else:
            self._count(read_bytes=len(entry.blocks) * FILE_BLOCK_BYTES)
        return entry.unhashed is not None

    def _count(self, *, hashed: int = 0, read_bytes: int = 0, unreadable: int = 0) -> None:
        self._hashed += hashed
        self._hashed_bytes += read_bytes
        self._unreadable += unreadable

    def _tell_counts(self) -> None:
        self.answer.contents = replace(
            self.answer.contents or Contents(),
            files_hashed=self._hashed,
            bytes_hashed=self._hashed_bytes,
            files_unreadable=self._unreadable,
        )
