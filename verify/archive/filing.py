"""Filing: what is written into a job's folder, and what is filed about a job later."""

from __future__ import annotations

import gzip
import os
import shutil
import time
from collections import Counter
from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING, Any

from verify.archive.entry import (
    COMPARISON_NAME,
    DIFFERENCES_NAME,
    EVENT_NAME,
    FIT_NAME,
    JOB_NAME,
    REPORT_NAME,
    RUNNING_NAME,
    SIDE_NAMES,
    event_entry,
    hold_job_name,
)
from verify.archive.job_record import EventRecord, JobRecord, drive_record
from verify.archive.seal import SEAL_NAME
from verify.errors import OutputError
from verify.manifest.file import open_manifest
from verify.report.difference_lists import json_lines
from verify.report.edition import Edition
from verify.report.handover import build_handover
from verify.report.html import html
from verify.report.json_text import as_json, document_json
from verify.text.message import say
from verify.text.system_words import system_words
from verify.whole_file import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from verify.archive.archive import Archive
    from verify.archive.job_record import EventKind, Seal
    from verify.archive.seal import Key
    from verify.rules.comparison_document import Comparison
    from verify.rules.difference_rows import DifferenceRow


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWords:
    """What the shop says of a job: its number or name, and what it likes to add."""

    job: str
    technician: str | None = None
    customer: str | None = None
    notes: str | None = None

    def __post_init__(self) -> None:
        """Hold the name."""
        hold_job_name(self.job)


def file_job(  # noqa: PLR0913 - each a part of the job
    archive: Archive,
    words: JobWords,
    comparison: Comparison,
    manifests: tuple[Path, Path],
    key: Key | None,
    *,
    differences: Iterable[DifferenceRow] = (),
    fit: Path | None = None,
    now: int | None = None,
) -> Seal:
    """File a job whole, and return its seal.

    `differences`: every file and folder that differs; `fit`: the file that its new drive was held
    to.

    Raises:
        JobTaken: there is a job of that name.
        OutputError: it could not be filed; nothing of it appears then.
        ManifestError: a manifest is not whole.
    """
    headers = tuple(open_manifest(path).header for path in manifests)
    levels = Counter(str(row.level.value) for row in comparison.findings)
    record = JobRecord(
        job=words.job,
        filed=int(time.time()) if now is None else now,
        technician=_storable(words.technician),
        customer=_storable(words.customer),
        notes=_storable(words.notes),
        verdict=comparison.verdict,
        summary=comparison.summary,
        depth=min((header.depth for header in headers), key=("layout", "sample", "full").index),
        findings={level: levels[level] for level in ("stop", "review", "note")},
        source=drive_record(headers[0]),
        target=drive_record(headers[1]),
        tool_version=comparison.tool.version,
        scope=comparison.scope,
    )
    with archive.staged(words.job) as folder:
        for path, name in zip(manifests, SIDE_NAMES.values(), strict=True):
            _take(archive, path, folder / name)
        if fit is not None:
            _take(archive, fit, folder / FIT_NAME)
        _write(folder / COMPARISON_NAME, document_json(comparison))
        _write_list(folder / DIFFERENCES_NAME, differences)
        _write(folder / REPORT_NAME, html(build_handover(comparison, Edition.SHOP)))
        _write(folder / JOB_NAME, record.model_dump_json(by_alias=True, indent=2))
        return archive.file_entry(folder, words.job, key)


def file_event(  # noqa: PLR0913 - each a part of the event
    archive: Archive,
    job: str,
    event: EventKind,
    key: Key | None,
    *,
    technician: str | None = None,
    reason: str | None = None,
    now: int | None = None,
) -> Seal:
    """File what became of a job, and return the seal of that.

    Raises:
        JobUnknown, JobDamaged: there is no such job, or it has no seal.
        JobTaken: it was filed before.
        OutputError: it could not be filed.
    """
    record = _event(archive, job, event, technician=technician, reason=reason, now=now)
    name = event_entry(job, event)
    with archive.staged(name) as folder:
        _write(folder / EVENT_NAME, record.model_dump_json(by_alias=True, indent=2))
        return archive.file_entry(folder, name, key)


def file_running(
    archive: Archive,
    job: str,
    document: dict[str, Any],
    key: Key | None,
    *,
    technician: str | None = None,
) -> Seal:
    """File what a look at the started machine showed, as often as it is looked at.

    `document`: what `running --json` prints.

    Raises:
        JobUnknown, JobDamaged: there is no such job, or it has no seal.
        JobTaken: somebody else filed the same at once.
        OutputError: it could not be filed.
    """
    record = _event(
        archive,
        job,
        "running",
        technician=technician,
        reason=document["says"],
        now=document["at"],
        fits=document["fits"],
    )
    with archive.index(look_at_all=True) as index:
        names = (event_entry(job, f"running-{number}") for number in count(1))
        name = next(name for name in names if not index.has(name))
    with archive.staged(name) as folder:
        _write(folder / EVENT_NAME, record.model_dump_json(by_alias=True, indent=2))
        _write(folder / RUNNING_NAME, as_json(document))
        return archive.file_entry(folder, name, key)


def _event(archive: Archive, job: str, event: EventKind, **told: Any) -> EventRecord:
    now = told.pop("now")
    at = int(time.time()) if now is None else now
    words = {name: _storable(value) for name, value in told.items()}
    return EventRecord(job=job, event=event, at=at, seal=archive.sealed(job).seal, **words)


def _storable(text: Any) -> Any:
    r"""Return what was typed; bytes that are no text, and would be stored nowhere, as `\udcNN`."""
    if not isinstance(text, str):
        return text
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def delete_job(
    archive: Archive, job: str, key: Key | None, *, technician: str | None, reason: str
) -> None:
    """Remove a job's files, and leave its seal with a sealed word about who did so and why.

    What was filed about its start goes as well: it names the customer's machine and drives. The
    word is filed first: should the power fail then, `jobs verify` names the unfinished deletion,
    and deleting again ends it.

    Raises:
        JobUnknown, JobDamaged: there is no such job, or it has no seal.
        OutputError: a file could not be removed.
    """
    archive.job(job)
    if not (archive.jobs / event_entry(job, "deleted")).is_dir():
        file_event(archive, job, "deleted", key, technician=technician, reason=reason)
    deleted = event_entry(job, "deleted")
    with archive.locked(), archive.index(look_at_all=True) as index:
        for name in index.about(job):
            if name != deleted:
                _clear(archive.jobs / name)
                index.refresh(name)


def _clear(folder: Path) -> None:
    """Remove all files of an entry but its seal; nothing that a link leads to."""
    if folder.is_symlink():
        raise OutputError(str(folder), say("it is a link to another place, which is not followed"))
    try:
        for path in folder.iterdir():
            if path.name != SEAL_NAME:
                path.unlink()
    except OSError as error:
        raise OutputError(str(folder), system_words(error)) from error


def _take(archive: Archive, source: Path, target: Path) -> None:
    """Give a file that was written inside the archive a second name; copy any other.

    The first name stays, for who still reads the file there; it goes with its folder.

    Raises:
        OutputError: it cannot be read or written.
    """
    try:
        if source.parent.parent == archive.unfinished and _linked(source, target):
            with target.open("r+b") as file:
                os.fsync(file.fileno())
        else:
            with source.open("rb") as reading, whole_file(target) as writing:
                shutil.copyfileobj(reading, writing)
    except OSError as error:
        raise OutputError(str(target), system_words(error)) from error


def _linked(source: Path, target: Path) -> bool:
    """Give a file a second name; `False`: its filesystem knows none (FAT, exFAT)."""
    try:
        os.link(source, target)
    except FileExistsError:
        raise
    except OSError:
        return False
    return True


def _write_list(path: Path, rows: Iterable[DifferenceRow]) -> None:
    """Write the list of all differences, packed; the same rows give the same bytes."""
    with whole_file(path) as file, gzip.GzipFile("", "wb", fileobj=file, mtime=0) as packed:
        for line in json_lines(rows):
            packed.write(line)


def _write(path: Path, text: str) -> None:
    with whole_file(path) as file:
        file.write(text.encode("utf-8") + b"\n")
