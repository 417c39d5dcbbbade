"""What stands in an archive: the record of a job, its seal, and what was done about it later.

Fields may be added within a schema's number, never renamed. Times are seconds since 1970 UTC,
digests BLAKE3 in lower-case hex.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from verify.archive.table_digest import table_digest
from verify.manifest.base import Depth, Model
from verify.manifest.header import DriveNames, Scope, names_of

if TYPE_CHECKING:
    from verify.manifest.header import Header

JOB_SCHEMA = "drivewitness.job/1"
EVENT_SCHEMA = "drivewitness.job-event/1"
SEAL_SCHEMA = "drivewitness.seal/1"

EventKind = Literal["deleted", "started", "running"]

Moment = Annotated[int, Field(ge=0, le=253_402_300_799)]
"""Seconds since 1970 UTC, up to the end of the year 9999: what a calendar can tell."""


class _Document(Model):
    model_config = Model.model_config | {"populate_by_name": True}


class DriveRecord(DriveNames):
    """One side of a job: what tells the drive from others, and when it was read.

    `serial_source`: `drive`, or `adapter` where a bridge may have answered for it.
    """

    serial_source: str | None
    disk_id: str | None
    table_digest: str
    captured: int


def drive_record(header: Header) -> DriveRecord:
    """Return what is recorded of a side, from its manifest's header."""
    drive = header.drive
    return DriveRecord(
        **names_of(drive),
        serial_source=drive.serial_source,
        disk_id=header.table.disk_id,
        table_digest=table_digest(header),
        captured=header.capture.ended,
    )


class JobRecord(_Document):
    """One job: who did it for whom, what came of it, between which drives.

    `technician`, `customer` (an alias) and `notes` are the shop's own words, all optional.
    `findings`: how many of each level. `scope`: as in the comparison; of one `partition` only it
    says nothing of a drive. `None`: an older version filed it.
    """

    schema_: str = Field(default=JOB_SCHEMA, alias="schema")
    job: str
    filed: Moment
    technician: str | None = None
    customer: str | None = None
    notes: str | None = None
    verdict: str
    summary: str
    depth: Depth
    findings: dict[str, int]
    source: DriveRecord
    target: DriveRecord
    tool_version: str
    scope: Scope | None = None


class EventRecord(_Document):
    """What was done about a job after it was filed; `seal` is the seal of that job.

    `deleted`: its files were removed, lawfully, for `reason`; `started`: a person saw the machine
    start from the new drive alone; `running`: the machine itself was looked at, `fits` says whether
    it ran from the new drive alone, and `running.json` beside it all that was seen.
    """

    schema_: str = Field(default=EVENT_SCHEMA, alias="schema")
    job: str
    event: EventKind
    at: Moment
    technician: str | None = None
    reason: str | None = None
    fits: bool | None = None
    seal: str


class SealedFile(_Document):
    """A file as it was sealed."""

    bytes: int
    blake3: str


class Seal(_Document):
    """The seal of an entry: over its files, chained to the seal before it.

    `number` counts from 1. `previous` and `previous_entry`: the seal before it and whose it is.
    `key`: which key it was made with, by its fingerprint; `None`: without a key. `seal`: BLAKE3
    (keyed where there is a key) over all other fields as JSON, sorted, without spaces, in ASCII.
    """

    schema_: str = Field(default=SEAL_SCHEMA, alias="schema")
    number: int = Field(ge=1, le=1 << 62)
    entry: str
    previous: str | None
    previous_entry: str | None
    key: str | None
    files: dict[str, SealedFile]
    seal: str = ""

    @property
    def words(self) -> str:
        """The seal as a report prints it."""
        return f"number {self.number}, {self.entry}: {self.seal}"
