"""Reading what partitions hold: each by a reader process, several at once where no head moves."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from verify.capture.describe_drive import DescribedDrive, DescribedPartition
from verify.capture.options import CaptureOptions
from verify.capture.progress import Progress
from verify.capture.readers.isolate import Readers
from verify.capture.readers.task import Answer, Task
from verify.capture.resume import Unfinished
from verify.capture.unlocked_view import Seen
from verify.errors import ResumeRefused, SourceVanished
from verify.filesystem.description import NO_CONTENT_KINDS, READABLE_KINDS
from verify.filesystem.examine import EXAMINERS
from verify.text.message import say

MOST_READERS = 2
"""Partitions read at once where no head moves, and processes that read each of them; both drives
of a check are read at once, too."""


@dataclass(slots=True, kw_only=True)
class PartitionReading:
    """The partitions of one drive being read.

    `answers`: one a partition, in the table's order; `view_answers`: of unlocked views, by the
    partition's number; `snapshot_failures`: how many sectors of a snapshot failed, likewise.
    `rows`: the files of their rows, in the table's order; `unreadable`: bytes of the drive (start,
    length) that failed.
    """

    described: DescribedDrive
    views: Mapping[int, Seen]
    options: CaptureOptions
    progress: Progress
    readers: Readers
    folder: Path
    unfinished: Unfinished | None
    answers: list[Answer] = field(default_factory=list)
    view_answers: dict[int, Answer] = field(default_factory=dict)
    snapshot_failures: dict[int, int] = field(default_factory=dict)
    rows: dict[int, Path | None] = field(default_factory=dict)
    unreadable: set[tuple[int, int]] = field(default_factory=set)

    def run(self) -> None:
        """Read all partitions, then the views.

        `MOST_READERS` at once where nothing moves (an image, a drive that says it does not
        rotate); one at a time else, since head seeks would make both slower.
        """
        partitions = self.described.partitions
        with ThreadPoolExecutor(self._at_once) as pool:
            self.answers = list(pool.map(self._read, partitions))
        self.view_answers = {
            number: self._read_view(number)
            for number, view in self.views.items()
            if not view.is_snapshot
        }
        self.described.drive.know_unreadable(sorted(self.unreadable))
        order = [item.entry.number for item in partitions if item.entry.number in self.rows]
        self.rows = {number: self.rows[number] for number in order}

    @property
    def _at_once(self) -> int:
        """How many may read at once: one where a head moves, or may."""
        identity = self.described.drive.identity
        still = identity.kind == "image" or identity.rotational is False
        return MOST_READERS if still else 1

    def _read(self, partition: DescribedPartition) -> Answer:
        """Let a reader process read the partition, as files or else as blocks."""
        entry, kind = partition.entry, partition.filesystem.kind
        if not partition.window.size_bytes:
            return Answer() if entry.container else Answer(failure=say("it lies outside the drive"))
        if kind in NO_CONTENT_KINDS:
            return Answer()
        if kind not in READABLE_KINDS:
            return self._read_raw(partition)
        self.progress.phase(say("reading the files of partition {number}", number=entry.number))
        answer = self._run(self._task(partition, raw=False), entry.number)
        if answer.listing is not None:
            return answer
        blocks = self._read_raw(partition)
        failure = say("its files could not be listed: {failure}", failure=answer.failure or "")
        return Answer(
            contents=blocks.contents,
            incomplete=answer.incomplete,
            failure=failure if blocks.failure is None else f"{failure}; {blocks.failure}",
            examination=answer.examination,
        )

    def _read_raw(self, partition: DescribedPartition) -> Answer:
        number, kind = partition.entry.number, partition.filesystem.kind
        if self.options.depth == "layout":
            answer = Answer()
            if kind not in READABLE_KINDS and kind in EXAMINERS:
                answer = self._run(self._task(partition, raw=True), number)
            answer.failure = say("depth layout reads no contents")
            return answer
        self.progress.phase(say("reading blocks of partition {number}", number=number))
        return self._run(self._task(partition, raw=True), number)

    def _task(self, partition: DescribedPartition, *, raw: bool) -> Task:
        drive, window, number = self.described.drive, partition.window, partition.entry.number
        how: dict[str, Any] = {
            "raw": raw,
            "rows": str(self.folder / f"partition-{number}.rows"),
            "checkpoint": None
            if self.unfinished is None
            else self.unfinished.checkpoint(number, raw=raw),
            "readers": self._at_once,
            **self._how_to_draw(),
        }
        if (view := self.views.get(number)) is not None and view.is_snapshot:
            return view.task(**how)
        return Task(
            drive=drive.name,
            file_id=drive.identity.file_id,
            start=window.start,
            size_bytes=window.size_bytes,
            sector_bytes=window.sector_bytes,
            device_sector_bytes=drive.sector_bytes,
            kind=partition.filesystem.kind,
            unreadable=tuple(sorted({*drive.unreadable, *self.unreadable})),
            **how,
        )

    def _run(self, task: Task, number: int) -> Answer:
        """Run a task and keep whichever rows it left."""
        answer = self.readers.read(task, self.progress)
        if answer.vanished:
            raise SourceVanished(task.drive, answer.vanished)
        if answer.unlike and self.unfinished is not None:
            raise ResumeRefused(str(self.unfinished.path), answer.unlike)
        if task.drive == self.described.drive.name:
            self.unreadable.update(answer.unreadable)
        elif answer.unreadable:
            # NOTE: sectors of the snapshot, not of the drive.
            self.snapshot_failures[number] = len(answer.unreadable)
            answer.owners = []
        whole, listed = Path(task.rows), Path(f"{task.rows}.listed")
        if answer.failure is None:
            self.rows[number] = whole
            listed.unlink(missing_ok=True)
        elif answer.listing is not None:
            # NOTE: it ended after the listing: the names stand, without any digest.
            self.rows[number] = listed
            answer.contents = None
        return answer

    def _read_view(self, number: int) -> Answer:
        """Read the files of a view, and put their rows behind those of its partition."""
        self.progress.phase(say("reading the files of partition {number}", number=number))
        task = self.views[number].task(
            rows=str(self.folder / f"view-{number}.rows"),
            readers=self._at_once,
            **self._how_to_draw(),
        )
        answer = self.readers.read(task, self.progress)
        if answer.vanished:
            raise SourceVanished(task.drive, answer.vanished)
        if answer.listing is not None:
            rows = Path(task.rows if answer.failure is None else f"{task.rows}.listed")
            self._put_behind(number, rows)
        return answer

    def _put_behind(self, number: int, rows: Path) -> None:
        joined = self.folder / f"partition-{number}.joined"
        with joined.open("wb") as out:
            for part in (self.rows.get(number), rows):
                if part is not None:
                    with part.open("rb") as file:
                        shutil.copyfileobj(file, out)
        self.rows[number] = joined

    def _how_to_draw(self) -> dict[str, Any]:
        """Return what all tasks of a capture have in common."""
        options = self.options
        draw = options.default_sample_size
        return {
            "depth": options.depth,
            "seed": options.seed,
            "sample_files": draw if options.sample_files is None else options.sample_files,
            "sample_blocks": draw if options.sample_blocks is None else options.sample_blocks,
            "retries": options.retries,
        }
