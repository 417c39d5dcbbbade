"""What is to be known of the attached drives: twins among them, and those of the archive's jobs.

A drive is known by the serial number that it gives itself. By size and identifier alone it may be
either drive of a job, for a clone of the same size carries both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from verify.archive.index import Wanted
from verify.archive.job_record import JobRecord
from verify.manifest.serial import own_serial
from verify.text.message import Message, joined, say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verify.archive.archive import Archive
    from verify.archive.job_record import DriveRecord
    from verify.platforms.running_machine import SeenDrive

Side = Literal["source", "target"]


@dataclass(frozen=True, slots=True)
class KnownDrive:
    """The newest job of a drive; `side`: `None` where it may be either. `by`: as in `identify`."""

    job: str
    side: Side | None
    by: Literal["serial", "identifiers"]

    @property
    def says(self) -> Message:
        """The same in words."""
        job = self.job
        if self.side is None:
            return say("either drive of job {job}: nothing tells the two apart", job=job)
        old = self.side == "source"
        if self.by == "serial":
            return (
                say("the OLD drive of job {job}", job=job)
                if old
                else say("the NEW drive of job {job}", job=job)
            )
        return (
            say("perhaps the OLD drive of job {job}, by size and identifier", job=job)
            if old
            else say("perhaps the NEW drive of job {job}, by size and identifier", job=job)
        )


def twins(drives: Sequence[SeenDrive]) -> dict[str, tuple[str, ...]]:
    """Return the identifiers that several attached drives carry, each with their paths."""
    paths: dict[str, list[str]] = {}
    for drive in drives:
        disk_id = drive.table.disk_id if drive.table else None
        if disk_id is not None and set(disk_id) - set("0-"):
            paths.setdefault(disk_id, []).append(drive.path)
    return {disk_id: tuple(held) for disk_id, held in paths.items() if len(held) > 1}


def warning(disk_id: str, paths: Sequence[str]) -> Message:
    """Say that several drives carry one identifier, and what comes of it."""
    return say(
        "{paths} have the same disk identifier {disk_id}: never start a machine with all of them"
        " attached.",
        paths=joined(paths),
        disk_id=disk_id,
    )


def known_drive(archive: Archive, drive: SeenDrive) -> KnownDrive | None:
    """Return which drive of the newest job that knows it a drive is; `None`: of none."""
    disk_id = drive.table.disk_id if drive.table else None
    found: dict[str, list[tuple[Side, str]]] = {}
    with archive.index() as index:
        for row in index.jobs(Wanted(drive=(drive.serial, disk_id, ""))):
            job = JobRecord.model_validate(row)
            if sides := list(_sides(job, drive, disk_id)):
                found[job.job] = sides
    for by in ("serial", "identifiers"):
        for job_name in reversed(found):
            held = [side for side, how in found[job_name] if how == by]
            if held:
                side = held[0] if len(held) == 1 else None
                return KnownDrive(job_name, side, "serial" if by == "serial" else "identifiers")
    return None


def _sides(job: JobRecord, drive: SeenDrive, disk_id: str | None) -> Iterator[tuple[Side, str]]:
    sides: tuple[tuple[Side, DriveRecord], ...] = (("source", job.source), ("target", job.target))
    for side, there in sides:
        serials = own_serial(drive), own_serial(there)
        if None not in serials:
            # NOTE: one number under two models is another drive's, as in `identify`.
            one_model = None in (drive.model, there.model) or drive.model == there.model
            if serials[0] == serials[1] and one_model:
                yield side, "serial"
        elif disk_id is not None and (there.disk_id, there.size_bytes) == (
            disk_id,
            drive.size_bytes,
        ):
            yield side, "identifiers"
