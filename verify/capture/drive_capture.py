"""Filling a manifest: one drive, described, read once, written down."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from verify.capture.assemble_header import HeaderParts
from verify.capture.describe_drive import (
    DescribedDrive,
    describe_drive,
    describe_outside,
    mark_of,
)
from verify.capture.gaps import read_gap
from verify.capture.options import CaptureOptions, Environment
from verify.capture.progress import Progress, watched
from verify.capture.read_partitions import PartitionReading
from verify.capture.resume import Unfinished, state_of
from verify.capture.unlocked_view import Seen, look_at_view
from verify.errors import OutputError, ViewRefused
from verify.held import WorkingFolder
from verify.manifest.file import write_manifest
from verify.platforms.health import Health
from verify.source.drive import Drive, open_drive
from verify.text.message import say
from verify.text.system_words import system_words
from verify.version import __version__

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.platforms.health import HealthAnswer


def capture(
    path: str,
    output: Path,
    options: CaptureOptions,
    *,
    progress: Progress | None = None,
    environment: Environment | None = None,
) -> Header:
    """Read a drive or an image, write its manifest to `output`, and return the header.

    Raises:
        SourceError: the drive cannot be used, or went away.
        OnePartition, UsageError: it is not what it was given as.
        OutputError: the manifest, or the listings before it, could not be written.
        ViewRefused: what was handed in is no view of that partition.
        ResumeRefused: it was to go on, and the drive is not provably the same and unchanged.
        Interrupted: the environment's readers were stopped.
    """
    around = environment or Environment()
    try:
        with (
            WorkingFolder(options.scratch) as folder,
            open_drive(path, retries=options.retries) as drive,
            watched(drive, progress or Progress()),
        ):
            unfinished = Unfinished.beside(output) if options.resume else None
            work = _Capture(
                drive, options, progress or Progress(), around, Path(folder), unfinished
            )
            header = work.run()
            go_on = around.readers.hold_wanted
            write_manifest(output, header, work.rows, replace=options.replace, go_on=go_on)
            if unfinished is not None:
                unfinished.remove()
            return header
    except OSError as error:
        raise OutputError(str(error.filename or output), system_words(error)) from error


@dataclass(slots=True)
class _Capture:
    """One capture under way; `rows` names the files of the rows, once it was run."""

    drive: Drive
    options: CaptureOptions
    progress: Progress
    around: Environment
    folder: Path
    unfinished: Unfinished | None = None
    rows: dict[int, Path | None] = field(default_factory=dict)

    def run(self) -> Header:
        """Describe the drive, read its partitions, and assemble the header."""
        started = self.around.clock()
        health = self._health()
        mark = mark_of(self.drive)
        self.progress.phase(say("reading the partition table"))
        described = describe_drive(self.drive, self.options)
        if self.unfinished is not None:
            self._hold_unchanged(self.unfinished, described, mark)
        views = look_at_views(described, self.options)
        described = described.as_in({n: v.filesystem for n, v in views.items() if v.is_snapshot})
        gap = read_gap(self.drive, described.table, whole=self.options.depth == "full")

        reading = PartitionReading(
            described=described,
            views=views,
            options=self.options,
            progress=self.progress,
            readers=self.around.readers,
            folder=self.folder,
            unfinished=self.unfinished,
        )
        reading.run()
        self.rows = reading.rows

        outside = describe_outside(described, mark, self.options.places)
        parts = HeaderParts(described, reading, gap, outside, self._health_after(health))
        made = {
            "tool_version": __version__,
            "started": int(started),
            "ended": int(self.around.clock()),
            "host": self.around.host,
            "seed": self.options.seed,
            "confidence": self.options.confidence,
            "name_salt": self.around.name_salt,
            "given_as": self.options.given_as,
        }
        return parts.header(self.options.depth, made)

    def _health(self) -> HealthAnswer | None:
        """Ask the drive for its health; an image has none."""
        if self.drive.identity.kind == "image":
            return None
        self.progress.phase(say("asking the drive for its health"))
        return self.around.health(self.drive.name)

    def _health_after(self, before: HealthAnswer | None) -> Health | None:
        """Ask again: what a drive, or its cable, did while it was read is counted by then."""
        if before is None:
            return None
        return Health(before=before, after=None if before.reason else self._health())

    def _hold_unchanged(self, unfinished: Unfinished, described: DescribedDrive, mark: str) -> None:
        """Hold that a reading which goes on does so on the drive that it began on."""
        windows = [(item.entry.number, item.window) for item in described.partitions]
        chosen = [self.options.seed, self.options.confidence, self.options.sample_blocks]
        unfinished.hold(state_of(self.drive, mark, windows, chosen))


def look_at_views(described: DescribedDrive, options: CaptureOptions) -> dict[int, Seen]:
    """Hold every view against its partition before anything takes hours to read."""
    known = {item.entry.number: item for item in described.partitions}
    seen = {}
    for number, path in options.views.items():
        if number not in known:
            raise ViewRefused(path, number, say("the drive has no such partition"))
        item = known[number]
        seen[number] = look_at_view(path, number, item.window, item.filesystem)
    return seen
