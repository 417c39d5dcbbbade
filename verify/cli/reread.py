"""Reading a drive again for an audit: what `audit run --drive JOB=DEVICE` does."""

import sys
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from verify.errors import UsageError, WitnessError
from verify.text.message import joined, say

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.archive.archive import Archive
    from verify.audit.reread import LaterName, Reread, Side, Sort
    from verify.audit.spot_audit import DrawnJob, Plan
    from verify.capture.options import CaptureOptions
    from verify.manifest.file import Manifest
    from verify.text.message import Message

_SORTS: "dict[Sort, Message]" = {
    "damaged": say("damaged"),
    "unclear": say("changed without a reason"),
    "used": say("changed by use"),
}


@dataclass(frozen=True)
class Rereading:
    """Which drives are at hand, by their jobs, and how they are read.

    `listed` is called with the job and each file and folder that differs from its record.
    """

    archive: "Archive"
    plan: "Plan"
    drives: dict[str, str]
    names: bool
    listed: "Callable[[str, LaterName], None] | None" = None

    def of(self, job: "DrawnJob") -> "Reread | None":
        """Read the drive of a job again, if it is at hand; its errors are reported there."""
        from verify.audit.reread import Reread

        path = self.drives.get(job.job)
        if path is None:
            return None
        try:
            return self._read(job.job, path)
        except WitnessError as error:
            return Reread(path=path, state="not_examined", reason=str(error))

    def _read(self, job: str, path: str) -> "Reread":
        from verify.archive.entry import SIDE_NAMES
        from verify.audit.reread import SIDES, Reread, compare_later, side_of
        from verify.capture.options import CaptureOptions
        from verify.cli.judging import working_folder
        from verify.manifest.file import open_manifest

        with working_folder(None) as folder:
            layout = Path(folder) / "layout.manifest"
            recorded: dict[Side, Manifest] = {
                side: open_manifest(self.archive.file(job, SIDE_NAMES[side])) for side in SIDES
            }
            found = side_of(
                {side: manifest.header for side, manifest in recorded.items()},
                _read(path, layout, CaptureOptions(depth="layout")).header,
            )
            if found is None:
                reason = say("it is neither drive of job {job}", job=job)
                return Reread(path=path, state="not_examined", reason=reason)
            side, by = found
            then = recorded[side]
            deeper = Path(folder) / "deeper.manifest"
            each = None if self.listed is None else partial(self.listed, job)
            later = compare_later(then, _read(path, deeper, self._options(then, job)), each)
        state, counts = later.state, later.counts
        told: list[str] = [
            say("{count} {sort}", count=counts[sort], sort=_SORTS[sort])
            for sort in _SORTS
            if counts[sort]
        ]
        if state == "not_examined":
            told.append(say("no contents were recorded that could be compared"))
        return Reread(
            path=path,
            side=side,
            matched_by=by,
            state=state,
            proven=later.proven,
            used=counts["used"],
            unclear=counts["unclear"],
            damaged=counts["damaged"],
            reason=joined([*later.reasons, *told], "; ") or None,
            names=tuple(later.names) if self.names else (),
        )

    def _options(self, then: "Manifest", job: str) -> "CaptureOptions":
        """Return how it is read: a fresh draw where all contents were recorded, else the same one.

        Of a sample nothing else has a digest to be held against.
        """
        from verify.capture.options import CaptureOptions

        made, depth = then.header.capture, then.header.depth
        seed = f"{self.plan.seed}:{job}" if depth == "full" else made.seed
        return replace(
            CaptureOptions(seed=seed, confidence=made.confidence),
            depth="layout" if depth == "layout" else "sample",
        )


def reading_again(archive: "Archive", plan: "Plan", drives: list[str], *, names: bool) -> Rereading:
    """Return how drives are read again; each is named as JOB=DEVICE and has to be there.

    Raises:
        UsageError: a word is not of that form, or its job was not drawn.
        SourceError: a drive is not there, or cannot be opened.
    """
    from verify.source.drive import open_drive

    at_hand: dict[str, str] = {}
    drawn = {job.job for job in plan.jobs}
    for word in drives:
        job, mark, path = word.partition("=")
        if not (job and mark and path):
            raise UsageError(
                say("{word}: is not written as JOB=DEVICE.", word=word),
                say("Write it as 1042=/dev/sdX."),
            )
        if job not in drawn:
            raise UsageError(
                say("Job {job} was not drawn.", job=job), say("The plan lists the drawn jobs.")
            )
        if job in at_hand:
            raise UsageError(
                say("Job {job} is named twice.", job=job), say("Name one drive for each job.")
            )
        open_drive(path).close()
        at_hand[job] = path
    return Rereading(archive, plan, at_hand, names)


def drives_at_hand(words: list[str]) -> list[str]:
    """Return the drives among words of the form JOB=DEVICE."""
    return [path for word in words if (path := word.partition("=")[2])]


def _read(path: str, file: Path, options: "CaptureOptions") -> "Manifest":
    from verify.capture.side_by_side import capture_one
    from verify.manifest.file import open_manifest
    from verify.report.progress import Bars, short_name

    with Bars(sys.stderr) as bars:
        capture_one(path, file, options, bars.drive(short_name(path)))
    return open_manifest(file)
