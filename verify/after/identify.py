"""Which drive is this, of which job, and does anything forbid wiping it.

A drive is known by the serial number that it gives itself. Without one (an adapter's number tells
nothing, an image has none) its identifier, size and table are held against the archive; a clone of
the same size carries all three, and then nobody can tell which of the two lies on the bench.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, get_args

from verify.archive.entry import SIDE_NAMES
from verify.archive.index import Wanted
from verify.archive.job_record import JobRecord, drive_record
from verify.archive.proof import event_problem, job_problems
from verify.errors import WitnessError
from verify.manifest.base import Depth
from verify.manifest.file import open_manifest
from verify.manifest.serial import own_serial
from verify.matching.merge_listings import compare_contents, file_block_bytes
from verify.matching.pairing import match_partitions
from verify.report.words import LEVELS
from verify.text.message import joined, say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.archive.archive import Archive
    from verify.archive.index import Index
    from verify.archive.job_record import DriveRecord
    from verify.archive.seal import Key
    from verify.manifest.file import Manifest
    from verify.manifest.header import Header
    from verify.matching.pair_contents import PairContents

IDENTITY_SCHEMA = "drivewitness.identity/1"

Side = Literal["source", "target"]
Which = Literal["source", "target", "unknown", "cannot_tell"]
State = Literal["new", "free", "wait", "keep", "file", "not_known", "cannot_tell"]

_DEPTHS = get_args(Depth)

_SORTS = {
    "missing": say("missing"),
    "extra": say("extra"),
    "resized": say("resized"),
    "changed": say("changed"),
    "streams": say("streams"),
    "retimed": say("retimed"),
    "recreated": say("recreated"),
}
"""What of a pair's files tells that a drive was used: fields of PairContents, all `Sorted`."""


@dataclass(frozen=True, slots=True)
class Match:
    """A side of a job that the drive at hand may be; `by`: `serial`, or `identifiers` alone."""

    job: JobRecord
    side: Side
    by: Literal["serial", "identifiers"]

    @property
    def drive(self) -> DriveRecord:
        """That side's drive."""
        return self.job.source if self.side == "source" else self.job.target


@dataclass(slots=True)
class Identified:
    """The answer: `match` is the newest job of the drive, where it can be told.

    `against`: what forbids wiping this drive, a sentence each; `start`: that of them which
    says that the new drive was not seen to start alone. `changed`: what is not as it was recorded;
    `None` where that was not looked at. `read_now`: a drive was read, and not a file.
    """

    which: Which
    matches: tuple[Match, ...] = ()
    changed: tuple[str, ...] | None = None
    against: list[str] = field(default_factory=list)
    start: str | None = None
    read_now: bool = True

    @property
    def state(self) -> State:
        """What the drive is for whoever holds it: free is an old one that may be wiped.

        `wait`: the old one, with only the new one's start missing; `keep`: the old one, with other
        reasons to keep it; `file`: no drive, but an image or a manifest of one.
        """
        if self.which == "unknown":
            return "not_known"
        if self.which == "cannot_tell":
            return "cannot_tell"
        if not self.read_now:
            return "file"
        if self.which == "target":
            return "new"
        if not self.against:
            return "free"
        return "wait" if self.against == [self.start] else "keep"

    @property
    def match(self) -> Match | None:
        """The side of the newest job that the drive is."""
        return self.matches[-1] if self.which in ("source", "target") else None


def which_drive(index: Index, header: Header) -> Identified:
    """Return which drive of the archive this is, as far as it can be told."""
    here = drive_record(header)
    found = tuple(_matches(index, here))
    known = tuple(match for match in found if match.by == "serial")
    if known:
        return Identified(known[-1].side, known)
    if not found:
        return Identified("unknown", (), against=[say("No job of the archive knows this drive.")])
    if own_serial(here) is not None and all(own_serial(match.drive) for match in found):
        words = say(
            "It has the identifiers of a job's drive but a different serial number:"
            " another clone, or the number comes from another adapter."
        )
        return Identified("unknown", found, against=[words])
    if own_serial(here) is None and len({match.side for match in found}) == 1:
        return Identified(found[-1].side, found)
    words = say("It is not clear which drive this is: both drives of a job have its identifiers.")
    if own_serial(here) is not None:
        words = say("It is not clear which drive this is: the job recorded no serial number.")
    advice = say("Attach it without an adapter, or compare the serial number on its label.")
    return Identified("cannot_tell", found, against=[joined((words, advice), " ")])


def _matches(index: Index, here: DriveRecord) -> Iterator[Match]:
    """Yield every side of every job that the drive may be, in the order they were filed."""
    for row in index.jobs(Wanted(drive=(here.serial, here.disk_id, here.table_digest))):
        job = JobRecord.model_validate(row)
        for side in ("source", "target"):
            there = job.source if side == "source" else job.target
            serials = own_serial(here), own_serial(there)
            if None not in serials and serials[0] == serials[1] and _one_model(here, there):
                yield Match(job, side, "serial")
            elif (
                here.size_bytes == there.size_bytes
                and here.disk_id == there.disk_id
                and here.table_digest == there.table_digest
            ):
                yield Match(job, side, "identifiers")


def _one_model(here: DriveRecord, there: DriveRecord) -> bool:
    return here.model is None or there.model is None or here.model == there.model


def weigh(
    archive: Archive, found: Identified, header: Header, key: Key | None, *, recorded: bool
) -> None:
    """Add what forbids wiping the drive; `found.changed` was looked at before.

    `recorded`: a manifest was given, and the drive itself was not read.
    """
    found.read_now = not recorded and header.drive.kind == "device"
    found.against += _against_drive(header, recorded=recorded)
    if found.match is not None:
        _weigh_job(archive, found, found.match, header, key)


def _against_drive(header: Header, *, recorded: bool) -> Iterator[str]:
    if recorded:
        yield say("It is a manifest: the drive itself was not read.")
    elif header.drive.kind == "image":
        yield say("It is an image: no drive was read.")
    elif header.scope == "unconfirmed":
        yield say("It has no table, and nobody confirmed that it is a whole drive.")
    if header.drive.mounted:
        yield say("It is in use: mounted on this machine.")


def _weigh_job(
    archive: Archive, found: Identified, match: Match, header: Header, key: Key | None
) -> None:
    job = match.job
    if match.side == "target":
        found.against.append(say("It is the new drive of job {job}.", job=job.job))
    if job.verdict != "sound":
        verdict = LEVELS.get(job.verdict, job.verdict)
        found.against.append(
            say("Job {job} is not sound, but {verdict}.", job=job.job, verdict=verdict)
        )
    if _of_one_partition(archive, job):
        found.against.append(
            say("Job {job} compared one partition only, not the whole drive.", job=job.job)
        )
    if found.changed is None:
        found.against.append(say("Whether it has changed since then was not checked."))
    elif found.changed:
        what = joined(found.changed, "; ")
        found.against.append(
            say("It has changed since job {job} was filed: {what}.", job=job.job, what=what)
        )
    if _DEPTHS.index(header.depth) < _DEPTHS.index(job.depth):
        found.against.append(
            say(
                "It was read at depth {depth}, and for job {job} at depth {then}: what was not read"
                " may have changed.",
                depth=header.depth,
                job=job.job,
                then=job.depth,
            )
        )
    words, found.start = _start_doubted(archive, job.job, key)
    found.against += [item for item in (words, found.start) if item]
    if problems := job_problems(archive, job.job, key):
        problem = problems[0].message
        found.against.append(
            say("Job {job} is not confirmed by its seal: {problem}", job=job.job, problem=problem)
        )


def _of_one_partition(archive: Archive, job: JobRecord) -> bool:
    """Whether a job is of one partition; older versions filed such a one without a word of it."""
    if job.scope is not None:
        return job.scope == "partition"
    try:
        paths = [archive.file(job.job, name) for name in SIDE_NAMES.values()]
        return any(open_manifest(path).header.scope == "partition" for path in paths)
    except WitnessError:
        return False  # NOTE: what is amiss with the job's files is told by its proof


def _start_doubted(archive: Archive, job: str, key: Key | None) -> tuple[str | None, str | None]:
    """Return what is amiss with what was filed of a start, and that the start itself lacks.

    What was filed last counts.
    """
    with archive.index() as index:
        names = index.events(job)
    words: str | None = say(
        "It is not on record that the machine started from the new drive of job {job} alone.",
        job=job,
    )
    for name in names:
        event = archive.entry(name).event
        if event is None or event.event == "deleted":
            continue
        if problem := event_problem(archive, name, key):
            amiss = say(
                "What was filed about the start of job {job} is not confirmed by its"
                " seal: {problem}",
                job=job,
                problem=problem,
            )
            return amiss, None
        words = None
        if event.event == "running" and not event.fits:
            words = say(
                "The last `running` check of job {job} did not find the machine running"
                " from its new drive alone.",
                job=job,
            )
    return None, words


def changes(then: Manifest, now: Manifest) -> tuple[str, ...]:
    """Return what of a drive is not as it was recorded: its table, files, raw blocks.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    old, new = then.header, now.header
    told: list[str] = []
    if drive_record(old).table_digest != drive_record(new).table_digest:
        told.append(say("its partition table"))
    pairs = match_partitions(old, new)
    contents = compare_contents(then, now, pairs).pairs
    for pair in pairs:
        if pair.both is None or pair.number not in contents:
            continue
        words = list(_changed(contents[pair.number]))
        if file_block_bytes(*pair.both) is None:
            words.append(
                say("its large files were read in blocks of another size, and not compared")
            )
        if pair.both[0].listing != pair.both[1].listing and not words:
            words.append(say("its counts"))
        if words:
            told.append(
                say("partition {number}: {what}", number=pair.number or 0, what=joined(words))
            )
    return tuple(told)


def _changed(pair: PairContents) -> Iterable[str]:
    for sort, word in _SORTS.items():
        if count := getattr(pair, sort).count:
            yield say("{count:,} {word}", count=count, word=word)
    if pair.raw and pair.mismatches:
        yield say("{count:,} blocks", count=pair.mismatches)
    if pair.unreadable.count:
        yield say("{count:,} unreadable", count=pair.unreadable.count)


def identified_document(found: Identified, header: Header) -> dict[str, Any]:
    """Return the answer as a plain document; `verdict`: `sound` where nothing forbids it."""
    match = found.match
    return {
        "schema": IDENTITY_SCHEMA,
        "which": found.which,
        "state": found.state,
        "verdict": "stop" if found.against else "sound",
        "may_be_wiped": not found.against,
        "against": found.against,
        "job": match.job.job if match else None,
        "job_verdict": match.job.verdict if match else None,
        "job_filed": match.job.filed if match else None,
        "matched_by": match.by if match else None,
        "read_now": found.read_now,
        "changed": None if found.changed is None else list(found.changed),
        "matches": [
            {"job": item.job.job, "side": item.side, "by": item.by, "filed": item.job.filed}
            for item in found.matches
        ],
        "drive": drive_record(header).model_dump(mode="json"),
    }
