"""What a reader process is asked, and what it answers: plain data that goes through a pipe."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Literal

from verify.boot.boot_record import BootRecord
from verify.capture.owners import Owner
from verify.filesystem.description import ChangeJournal
from verify.filesystem.examination import Examination
from verify.manifest.partition_contents import Contents, Listing
from verify.text.field import Text

Depth = Literal["layout", "sample", "full"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One partition to read.

    `drive` is opened anew by the process, which holds `file_id` against what it opened.
    `start`/`size_bytes` are the window in bytes, `sector_bytes` the table's, `device_sector_bytes`
    what reads are narrowed to. `kind` is the filesystem; `raw`: read blocks, list nothing.
    `rows` is the file that its rows are written to; `checkpoint`, where there is one, that what was
    read is noted in, to go on from. `unreadable`: bytes of the drive (start,
    length) that failed before, which are not tried again. `readers`: processes that may read at
    once, where no head has to move.
    """

    drive: str
    file_id: str
    start: int
    size_bytes: int
    sector_bytes: int
    device_sector_bytes: int
    kind: str
    raw: bool
    depth: Depth
    seed: str
    sample_files: int
    sample_blocks: int
    retries: int
    rows: str
    unreadable: tuple[tuple[int, int], ...] = ()
    checkpoint: str | None = None
    readers: int = 1

    @property
    def draws_files(self) -> bool:
        """Whether files are drawn; a `layout` draws none."""
        return self.depth != "layout" and self.sample_files > 0

    @property
    def draws_blocks(self) -> bool:
        """Whether blocks of large files are drawn."""
        return self.depth != "layout" and self.sample_blocks > 0

    def to_json(self) -> str:
        """Return the task as one line."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, line: str) -> Task:
        """Return the task of a line written by `to_json`."""
        return cls(**json.loads(line))


@dataclass(slots=True, kw_only=True)
class Answer:
    """What became of a task.

    `listing`, `contents` and `boot` are those of the manifest, as far as they were reached;
    `incomplete`: each part of the listing that could not be read;
    `hibernation`: the state of a hibernation image; `change_journal`: NTFS's. `failure`: why it
    ended early; then `contents` tells how far it came. `vanished`: the drive went away, and how
    that showed. `owners`: whose the unreadable bytes of the partition are; `given_up`: why the
    drive was left in peace.
    `unlike`: why a reading that was cut off cannot go on. `examination`: what an examination of
    the filesystem's own structures found.
    """

    listing: Listing | None = None
    contents: Contents | None = None
    boot: BootRecord | None = None
    incomplete: list[Text] = field(default_factory=list)
    unreadable: list[tuple[int, int]] = field(default_factory=list)
    hibernation: str | None = None
    change_journal: ChangeJournal | None = None
    failure: Text | None = None
    vanished: Text | None = None
    owners: list[Owner] = field(default_factory=list)
    given_up: Text | None = None
    unlike: Text | None = None
    examination: Examination | None = None
