"""One folder of an archive, read: a job, what became of one, or neither."""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeVar

from pydantic import BaseModel, ValidationError

from verify.archive.job_record import EventRecord, JobRecord, Seal
from verify.archive.seal import SEAL_NAME
from verify.errors import UsageError
from verify.manifest.base import SOURCE_NAME, TARGET_NAME
from verify.text.message import say

if TYPE_CHECKING:
    from pathlib import Path

JOB_NAME = "job.json"
EVENT_NAME = "event.json"
COMPARISON_NAME = "comparison.json"
DIFFERENCES_NAME = "differences.jsonl.gz"
REPORT_NAME = "report.html"
FIT_NAME = "fit.json"
RUNNING_NAME = "running.json"
SIDE_NAMES = {"source": SOURCE_NAME, "target": TARGET_NAME}

_EVENT_MARK = "~"
_JOB_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,62}[A-Za-z0-9_-])?")
_RESERVED = re.compile(r"(?i)(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?")
"""Names that Windows takes for devices (Microsoft, Naming Files, Paths, and Namespaces)."""

_USUAL_BYTES = 16 << 10
_LONGEST_BYTES = 4 << 20
"""No record or seal comes near it; nearly all are shorter than the usual."""

_PLAIN_FILE = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_PLAIN_FILE |= getattr(os, "O_BINARY", 0)
"""No link is followed, and a pipe that nobody writes to is not waited for."""

_Document = TypeVar("_Document", bound=BaseModel)

Kind = Literal["job", "stub", "deleted", "started", "running", "foreign"]


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry: `stub` is a job whose record is gone, `foreign` a folder without a seal.

    `files`: the names in its folder; a link to a folder elsewhere has none.
    """

    name: str
    kind: Kind
    job: str
    files: frozenset[str]
    seal: Seal | None
    record: JobRecord | None = None
    event: EventRecord | None = None


def is_job_name(job: str) -> bool:
    """Whether a folder can have that name on every system, and it leads nowhere else."""
    return bool(_JOB_NAME.fullmatch(job)) and not _RESERVED.fullmatch(job)


def hold_job_name(job: str) -> str:
    """Return a job's number or name if a folder can have it on every system.

    Raises:
        UsageError: it cannot be the name of a job.
    """
    if not is_job_name(job):
        raise UsageError(
            say("{job}: is not allowed as the name of a job.", job=job),
            say("Use up to 64 letters, digits, dots, hyphens and underscores."),
        )
    return job


def event_entry(job: str, event: str) -> str:
    """Return the name of the entry that tells of an event of a job."""
    return f"{job}{_EVENT_MARK}{event}"


def read_entry(folder: str | Path) -> Entry:
    """Return what a folder holds, as far as it can be read; nothing of it is verified."""
    # NOTE: strings, not paths, and no file asked for that is not there: an archive has 100,000.
    place = os.fspath(folder)
    name = os.path.basename(place)  # noqa: PTH119 - see above
    try:
        linked = os.path.islink(place)  # noqa: PTH114 - see above
        files = frozenset() if linked else frozenset(os.listdir(place))  # noqa: PTH208 - see above
    except OSError:
        files = frozenset()
    seal = _read(place, files, SEAL_NAME, Seal)
    record = _read(place, files, JOB_NAME, JobRecord)
    event = _read(place, files, EVENT_NAME, EventRecord)
    kind: Kind = "foreign"
    if seal is not None:
        kind = "job" if record else event.event if event else "stub"
    return Entry(name, kind, name.split(_EVENT_MARK)[0], files, seal, record, event)


def _read(place: str, files: frozenset[str], name: str, model: type[_Document]) -> _Document | None:
    if name not in files:
        return None
    try:
        handle = os.open(f"{place}/{name}", _PLAIN_FILE)
        with os.fdopen(handle, "rb") as file:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                return None
            text = file.read(_USUAL_BYTES)
            if len(text) == _USUAL_BYTES:
                text += file.read(_LONGEST_BYTES)
        return model.model_validate_json(text)
    except (OSError, ValidationError):
        return None
