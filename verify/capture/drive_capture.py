"""Filling a manifest: one drive, read once, written down."""

from __future__ import annotations

import platform
import re
import secrets
import shutil
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blake3 import blake3

from verify.boot.bootcode import read_mbr_code
from verify.boot.grub_core import SECTOR_BYTES, is_grub, read_core
from verify.capture.foreign import refuse_foreign
from verify.capture.gaps import read_gap
from verify.capture.progress import Progress
from verify.capture.readers.isolate import Readers
from verify.capture.readers.task import Answer, Depth, Task
from verify.capture.remains import find_remains
from verify.capture.resume import Unfinished, state_of
from verify.capture.scope import boot_sector_start, hold_scope
from verify.capture.unlocked_view import Seen, look_at_view
from verify.errors import (
    OutputError,
    ResumeRefused,
    SourceUnreadable,
    SourceVanished,
    ViewRefused,
)
from verify.filesystem.description import NO_CONTENT_KINDS, READABLE_KINDS, Filesystem
from verify.filesystem.opaque.members import recognise_whole
from verify.filesystem.recognise import recognise
from verify.held import WorkingFolder
from verify.manifest.draw import DEFAULT_SEED
from verify.manifest.file import write_manifest
from verify.manifest.header import GivenAs, Header
from verify.source.drive import GIVEN_UP, Drive, open_drive
from verify.source.window import Window
from verify.stats import TOLERABLE_SHARE, sample_size
from verify.table.read import read_table
from verify.text.message import Message, say
from verify.version import __version__

if TYPE_CHECKING:
    from verify.table.partition_table import PartitionEntry, Table

MOST_READERS = 2
"""Partitions read at once where no head moves, and processes that read each of them; both drives
of a check are read at once, too."""

_SPARE_DRAW = 1.05
"""Drawn beyond what the share asks for, since some names stand on one side only."""

_BOOT_SECTOR_BYTES = 512

_SALT_BYTES = 16
"""128 bits: nobody tries them all."""

_MARK_BYTES = 64 << 10
_UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureOptions:
    """How a drive is read.

    `confidence` in (0, 1); `sample_files`/`sample_blocks`: how many are drawn a partition, `None`
    for as many as exclude 0.1 % at that confidence; `scratch`: a folder for listings that wait,
    about 300 bytes a file, `None` for the system's; `retries`: of a failing read; `resume`:
    note beside the manifest what was read, and go on from what was noted before. `views`: the
    path of an unlocked view of an encrypted partition, by the partition's number. `given_as`: what
    the person says it is; `looking`: nothing is judged by it, so that one partition will do.
    `replace`: the manifest may replace what stands under its name by the time that it is written.
    `places`: where partitions of the other drive begin, in bytes.
    """

    depth: Depth = "sample"
    seed: str = DEFAULT_SEED
    confidence: float = 0.95
    sample_files: int | None = None
    sample_blocks: int | None = None
    scratch: Path | None = None
    retries: int = 1
    resume: bool = False
    views: Mapping[int, str] = field(default_factory=dict)
    given_as: GivenAs | None = None
    looking: bool = False
    replace: bool = False
    places: tuple[int, ...] = ()

    @property
    def draw(self) -> int:
        """How many files or blocks a partition are drawn where no number is given."""
        return round(_SPARE_DRAW * sample_size(self.confidence, TOLERABLE_SHARE))


@dataclass(slots=True)
class Environment:
    """What a capture is not to ask the world itself for: clock, host, chance, the readers."""

    clock: Callable[[], float] = time.time
    host: str = field(default_factory=platform.node)
    name_salt: str = field(default_factory=lambda: secrets.token_hex(_SALT_BYTES))
    readers: Readers = field(default_factory=Readers)


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
        raise OutputError(str(error.filename or output), error.strerror or str(error)) from error


@dataclass(slots=True)
class _Capture:
    """One capture under way."""

    drive: Drive
    options: CaptureOptions
    progress: Progress
    around: Environment
    folder: Path
    unfinished: Unfinished | None = None
    rows: dict[int, Path | None] = field(default_factory=dict)
    unread: list[dict[str, Any]] = field(default_factory=list)
    unreadable: set[tuple[int, int]] = field(default_factory=set)
    owners: list[dict[str, Any]] = field(default_factory=list)
    views: dict[int, Seen] = field(default_factory=dict)

    def run(self) -> Header:
        """Read everything and return the header; `rows` then names the files of the rows."""
        started = self.around.clock()
        before = _mark(self.drive)
        self.progress.phase("reading the partition table")
        drive = self.drive
        table = read_table(drive, sector_bytes=drive.sector_bytes, sector_known=drive.sector_known)
        if not drive.sector_known:
            drive.sector_bytes = table.sector_bytes
        described = [(entry, self._describe(entry, table)) for entry in table.partitions]
        refuse_foreign(drive, table, [filesystem.kind for _, filesystem in described])
        if not self.options.looking:
            filesystems = (filesystem for _, filesystem in described)
            hold_scope(drive, table, filesystems, self.options.given_as)
        if self.unfinished is not None:
            windows = [(entry.number, self._window(entry, table)) for entry in table.partitions]
            chosen = [self.options.seed, self.options.confidence, self.options.sample_blocks]
            self.unfinished.hold(state_of(drive, before, windows, chosen))
        self._look_at_views(described, table)
        gap = read_gap(drive, table, whole=self.options.depth == "full")
        partitions = self._partitions(described, table)
        drive_info = self._drive_info()
        drive_info["changed_while_read"] = self._has_changed(before)
        drive_info["boot_sector_start"] = boot_sector_start(drive, table)
        last_steps = {
            "boot_code": self._boot_code(table),
            "grub": self._grub(table),
            "whole_drive": self._whole_drive(table),
            "remains": find_remains(drive, table, self.options.places),
        }
        # NOTE: behind the last read of the drive, or what fails in it would be lost.
        self.unreadable.update(drive.unreadable)
        if drive.given_up:
            self.unread.append({"what": say("whole drive"), "reason": GIVEN_UP})
        fields = {
            "depth": self.options.depth,
            "drive": drive_info,
            "table": asdict(table),
            "partitions": partitions,
            "gaps": [gap.model_dump()] if gap else [],
            **last_steps,
            "capture": {
                "tool_version": __version__,
                "started": int(started),
                "ended": int(self.around.clock()),
                "host": self.around.host,
                "seed": self.options.seed,
                "confidence": self.options.confidence,
                "unreadable": self._unreadable_sectors(),
                "owners": self.owners,
                "name_salt": self.around.name_salt,
                "given_as": self.options.given_as,
            },
            "unread": self.unread,
        }
        return Header.model_validate(_storable(fields))

    def _has_changed(self, before: str) -> bool:
        """Whether the ends of the drive read otherwise than they did; what fails is no change."""
        after = _mark(self.drive)
        if _UNREADABLE in (before, after):
            reason = say("an end of the drive cannot be read")
            self.unread.append({"what": say("changes while it was read"), "reason": reason})
            return False
        return after != before

    def _look_at_views(
        self, described: list[tuple[PartitionEntry, Filesystem]], table: Table
    ) -> None:
        """Hold every view against its partition before anything takes hours to read."""
        known = {entry.number: (entry, filesystem) for entry, filesystem in described}
        for number, path in self.options.views.items():
            if number not in known:
                raise ViewRefused(path, number, "the drive has no such partition")
            entry, filesystem = known[number]
            window = self._window(entry, table)
            self.views[number] = look_at_view(path, number, window, filesystem)

    def _whole_drive(self, table: Table) -> dict[str, Any] | None:
        """Describe the set that the drive belongs to by what stands outside its partitions."""
        if table.scheme == "none":
            return None  # NOTE: then its one partition is the drive, and says it itself
        found = recognise_whole(Window(self.drive, 0, self.drive.size_bytes, table.sector_bytes))
        return None if found is None else asdict(found)

    def _boot_code(self, table: Table) -> dict[str, Any] | None:
        """Return what is recorded of the machine code in sector 0, where a table stands there."""
        if table.scheme == "none":
            return None
        try:
            return asdict(read_mbr_code(self.drive.read_at(0, _BOOT_SECTOR_BYTES)))
        except SourceUnreadable:
            reason = say("sector 0 cannot be read")
            self.unread.append({"what": say("boot code"), "reason": reason})
            return None

    def _grub(self, table: Table) -> list[dict[str, Any]]:
        """Return what the boot sectors of GRUB start: sector 0's, then those of partitions."""
        places = {0: 0} if table.scheme != "none" else {}
        for entry in table.partitions:
            if not entry.container and entry.number:
                places[entry.number] = entry.start_lba * table.sector_bytes
        found = []
        for place, offset in places.items():
            if offset + SECTOR_BYTES > self.drive.size_bytes:
                continue
            try:
                sector = self.drive.read_at(offset, SECTOR_BYTES)
            except SourceUnreadable:
                continue  # NOTE: recorded with the drive's unreadable sectors
            if is_grub(sector):
                size = self.drive.size_bytes
                found.append(asdict(read_core(sector, place, self.drive.read_at, size)))
        return found

    def _window(self, entry: PartitionEntry, table: Table) -> Window:
        """Return the window of a partition, cut where the drive ends."""
        start = entry.start_lba * table.sector_bytes
        size = min(entry.sectors * table.sector_bytes, max(0, self.drive.size_bytes - start))
        if table.scheme == "none":
            size = self.drive.size_bytes
        return Window(self.drive, start, size, table.sector_bytes)

    def _describe(self, entry: PartitionEntry, table: Table) -> Filesystem:
        if entry.container:
            return Filesystem(kind="extended")
        window = self._window(entry, table)
        if not window.size_bytes:
            return Filesystem(kind="unknown")
        return recognise(window, type_code=entry.type)

    @property
    def _readers(self) -> int:
        """How many may read at once: one where a head moves, or may."""
        identity = self.drive.identity
        still = identity.kind == "image" or identity.rotational is False
        return MOST_READERS if still else 1

    def _partitions(
        self, described: list[tuple[PartitionEntry, Filesystem]], table: Table
    ) -> list[dict[str, Any]]:
        """Read all partitions and return the fields of their models, in the table's order.

        `MOST_READERS` at once where nothing moves (an image, a drive that says it does not
        rotate); one at a time else, since a head that goes to and fro reads less than either.
        """
        with ThreadPoolExecutor(self._readers) as pool:
            answers = list(pool.map(lambda item: self._read(item[0], item[1], table), described))
        seen = {number: self._read_view(number) for number in self.views}
        order = [entry.number for entry, _ in described if entry.number in self.rows]
        self.rows = {number: self.rows[number] for number in order}
        return [
            {
                **self._fields(entry, filesystem, table, answer),
                "view": seen.get(entry.number),
            }
            for (entry, filesystem), answer in zip(described, answers, strict=True)
        ]

    def _fields(
        self, entry: PartitionEntry, filesystem: Filesystem, table: Table, answer: Answer
    ) -> dict[str, Any]:
        """Return the fields of one partition's model."""
        self._keep_owners(entry, self._window(entry, table), answer)
        _doubt_empty_listing(filesystem, answer)
        own = [{"what": say("listing"), "reason": words} for words in answer.incomplete]
        if answer.failure:
            own.append({"what": say("contents"), "reason": answer.failure})
        if answer.given_up:
            own.append({"what": say("contents"), "reason": answer.given_up})
        own_and_filesystem = [*own, *(asdict(item) for item in filesystem.unread)]
        self.unread += [{**item, "partition": entry.number} for item in own_and_filesystem]
        fields = {name: value for name, value in asdict(entry).items() if name != "record_lba"}
        return {
            **fields,
            "filesystem": asdict(filesystem),
            "listing": answer.listing,
            "contents": answer.contents,
            "boot": answer.boot,
            "hibernation": answer.hibernation,
            "change_journal": answer.change_journal,
            "examination": answer.examination,
            "unread": own,
        }

    def _keep_owners(self, entry: PartitionEntry, window: Window, answer: Answer) -> None:
        step = self.drive.sector_bytes
        for owner in answer.owners:
            start = window.start + owner["start"]
            first, last = start // step, -(-(start + owner["length"]) // step)
            self.owners.append(
                {
                    "partition": entry.number,
                    "start_lba": first,
                    "sectors": last - first,
                    "what": owner["what"],
                    "name": owner["name"],
                }
            )

    def _read(self, entry: PartitionEntry, filesystem: Filesystem, table: Table) -> Answer:
        """Let a reader process read the partition, as files or else as blocks."""
        kind, window = filesystem.kind, self._window(entry, table)
        if not window.size_bytes:
            return Answer() if entry.container else Answer(failure=say("it lies outside the drive"))
        if kind in NO_CONTENT_KINDS:
            return Answer()
        if kind not in READABLE_KINDS:
            return self._read_raw(entry, kind, window)
        self.progress.phase(f"reading the files of partition {entry.number}")
        answer = self._run(self._task(entry, kind, window, raw=False), entry.number)
        if answer.listing is not None:
            return answer
        blocks = self._read_raw(entry, kind, window)
        failure = say("its files could not be listed: {failure}", failure=answer.failure or "")
        return Answer(
            contents=blocks.contents,
            incomplete=answer.incomplete,
            failure=failure if blocks.failure is None else f"{failure}; {blocks.failure}",
            examination=answer.examination,
        )

    def _read_raw(self, entry: PartitionEntry, kind: str, window: Window) -> Answer:
        if self.options.depth == "layout":
            return Answer(failure=say("a capture of depth layout reads no contents"))
        self.progress.phase(f"reading blocks of partition {entry.number}")
        return self._run(self._task(entry, kind, window, raw=True), entry.number)

    def _task(self, entry: PartitionEntry, kind: str, window: Window, *, raw: bool) -> Task:
        return Task(
            drive=self.drive.name,
            file_id=self.drive.identity.file_id,
            start=window.start,
            size_bytes=window.size_bytes,
            sector_bytes=window.sector_bytes,
            device_sector_bytes=self.drive.sector_bytes,
            kind=kind,
            raw=raw,
            rows=str(self.folder / f"partition-{entry.number}.rows"),
            unreadable=tuple(sorted({*self.drive.unreadable, *self.unreadable})),
            checkpoint=None
            if self.unfinished is None
            else self.unfinished.checkpoint(entry.number, raw=raw),
            readers=self._readers,
            **self._how_to_draw(),
        )

    def _run(self, task: Task, number: int) -> Answer:
        """Run a task and keep whichever rows it left."""
        answer = self.around.readers.read(task, self.progress)
        if answer.vanished:
            raise SourceVanished(self.drive.name, answer.vanished)
        if answer.unlike and self.unfinished is not None:
            raise ResumeRefused(str(self.unfinished.path), answer.unlike)
        self.unreadable.update(answer.unreadable)
        whole, listed = Path(task.rows), Path(f"{task.rows}.listed")
        if answer.failure is None:
            self.rows[number] = whole
            listed.unlink(missing_ok=True)
        elif answer.listing is not None:
            # NOTE: it ended after the listing: the names stand, without any digest.
            self.rows[number] = listed
            answer.contents = None
        return answer

    def _read_view(self, number: int) -> dict[str, Any]:
        """Read the files of a view, and put their rows behind those of its partition."""
        self.progress.phase(f"reading the files in partition {number}")
        task = self.views[number].task(
            rows=str(self.folder / f"view-{number}.rows"),
            readers=self._readers,
            **self._how_to_draw(),
        )
        answer = self.around.readers.read(task, self.progress)
        if answer.vanished:
            raise SourceVanished(task.drive, answer.vanished)
        if answer.listing is not None:
            rows = Path(task.rows if answer.failure is None else f"{task.rows}.listed")
            self._put_behind(number, rows)
        fields = self.views[number].fields(answer)
        self.unread += [{**item, "partition": number} for item in fields["unread"]]
        return fields

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
        draw = options.draw
        return {
            "depth": options.depth,
            "seed": options.seed,
            "sample_files": draw if options.sample_files is None else options.sample_files,
            "sample_blocks": draw if options.sample_blocks is None else options.sample_blocks,
            "retries": options.retries,
        }

    def _drive_info(self) -> dict[str, Any]:
        drive = self.drive
        return {
            **asdict(drive.identity),
            "path": drive.name,
            "size_bytes": drive.size_bytes,
            "sector_bytes": drive.sector_bytes,
        }

    def _unreadable_sectors(self) -> list[dict[str, int]]:
        """Return the sectors that failed, neighbours joined."""
        step = self.drive.sector_bytes
        joined: list[dict[str, int]] = []
        for start, length in sorted(self.unreadable):
            first, count = start // step, -(-length // step)
            last = joined[-1] if joined else None
            if last and first <= last["start_lba"] + last["sectors"]:
                last["sectors"] = max(last["sectors"], first + count - last["start_lba"])
            else:
                joined.append({"start_lba": first, "sectors": count})
        return joined


def _doubt_empty_listing(filesystem: Filesystem, answer: Answer) -> None:
    """Say so where a FAT shows clusters in use and no name: its root directory was lost.

    FAT32's root takes a cluster of its own, and a label none.
    """
    listing, cluster = answer.listing, filesystem.cluster_bytes
    if filesystem.traits.family != "fat" or listing is None or not cluster:
        return
    names = sum(listing[what] for what in ("files", "folders", "links", "others"))
    if not names and (filesystem.used_bytes or 0) > cluster:
        used = (filesystem.used_bytes or 0) // cluster
        answer.incomplete.append(
            say("/: {used} clusters are in use, but no name is listed", used=used)
        )
        listing["complete"] = False


def _mark(drive: Drive) -> str:
    """Return a digest of both ends of the drive, where its tables stand."""
    hasher = blake3()
    length = min(_MARK_BYTES, drive.size_bytes)
    try:
        for offset in (0, drive.size_bytes - length):
            hasher.update(drive.read_at(offset, length))
    except SourceUnreadable:
        return _UNREADABLE
    return hasher.hexdigest()


_SURROGATES = re.compile("[\ud800-\udfff]")


def _storable(value: Any) -> Any:
    r"""Return the same tree with text that is no valid text written out as `\\uXXXX`."""
    if isinstance(value, Message):
        return value.with_names(_storable)
    if isinstance(value, str):
        return _SURROGATES.sub(lambda found: f"\\u{ord(found[0]):04X}", value)
    if isinstance(value, dict):
        return {name: _storable(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_storable(item) for item in value]
    return value
