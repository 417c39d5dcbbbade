"""An archive of jobs: one folder a job, whole or not there at all.

    archive.json     what makes the folder an archive, and whether it is shared
    jobs/ID/         a job: both manifests, comparison, report, record, seal
    jobs/ID~event/   what became of it later
    unfinished/      what is being filed, or was when a plug was pulled
    index.sqlite     made from jobs/ at any time
    lock             held while the chain grows

An entry is written and synced under `unfinished`, and appears under `jobs` by one renaming, while
the lock is held. Its seal names the one before, so that `jobs` alone is the chain.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from verify.archive.entry import is_job_name, read_entry
from verify.archive.index import open_index
from verify.archive.seal import SEAL_NAME, make_seal
from verify.archive.sharing import file_mode, let_in
from verify.errors import ArchiveBusy, ArchiveForeign, JobDamaged, JobTaken, JobUnknown, OutputError
from verify.held import LostError, hold_folder, let_go, remove_left_folders
from verify.platforms.this import PLATFORM
from verify.text.message import say
from verify.text.system_words import system_words
from verify.whole_file import (
    hold_no_link,
    make_folder,
    private_file,
    whole_file,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.archive.entry import Entry
    from verify.archive.index import Index
    from verify.archive.job_record import JobRecord, Seal
    from verify.archive.seal import Key

ARCHIVE_SCHEMA = "drivewitness.archive/1"
_MARK_NAME = "archive.json"
_LONGEST_MARK_BYTES = 4096

_STAGED_NAME = re.compile(r".+\.[0-9a-f]{8}\.held")

PATIENCE_SECONDS = 120.0
_LOOK_SECONDS = 0.05


@dataclass(frozen=True, slots=True)
class Archive:
    """A folder of jobs that is there; `shared`: with every account of its group."""

    root: Path
    shared: bool = False

    @property
    def jobs(self) -> Path:
        """Where the entries are."""
        return self.root / "jobs"

    @property
    def unfinished(self) -> Path:
        """Where entries are written."""
        return self.root / "unfinished"

    @contextmanager
    def index(self, *, look_at_all: bool = False) -> Iterator[Index]:
        """Give the index, up to date."""
        file, mode = self.root / "index.sqlite", file_mode(shared=self.shared)
        with open_index(file, self.jobs, mode=mode, look_at_all=look_at_all) as index:
            yield index

    def entry(self, name: str) -> Entry:
        """Return the entry of that name.

        Raises:
            JobUnknown: there is none.
        """
        folder = self.jobs / name
        if not folder.is_dir():
            raise JobUnknown(str(self.root), name)
        return read_entry(folder)

    def job(self, job: str) -> Entry:
        """Return the entry of a job; a name that leads out of the archive is refused.

        Raises:
            JobUnknown: there is no such job.
        """
        if not is_job_name(job):
            raise JobUnknown(str(self.root), job)
        return self.entry(job)

    def record(self, job: str) -> JobRecord:
        """Return the record of a job.

        Raises:
            JobUnknown: there is no such job.
            JobDamaged: its record cannot be read, or was deleted.
        """
        found = self.job(job)
        if found.record is None:
            raise JobDamaged(str(self.root), job, say("its record is missing or damaged"))
        return found.record

    def sealed(self, job: str) -> Seal:
        """Return the seal of a job.

        Raises:
            JobUnknown: there is no such job.
            JobDamaged: it has no seal.
        """
        seal = self.job(job).seal
        if seal is None:
            raise JobDamaged(str(self.root), job, say("its seal is missing or damaged"))
        return seal

    def file(self, job: str, name: str) -> Path:
        """Return the path of a file of a job.

        Raises:
            JobUnknown: there is no such job.
            JobDamaged: it has no such file.
        """
        self.job(job)
        path = self.jobs / job / name
        if not path.is_file():
            raise JobDamaged(str(self.root), job, say("its {name} is missing", name=name))
        return path

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the archive for this process and thread alone.

        Raises:
            ArchiveBusy: somebody else held it for too long.
            OutputError: the lock cannot be written, or a link leads out of the archive.
        """
        path = self.root / "lock"
        for place in (path, self.jobs, self.unfinished):
            hold_no_link(place)
        try:
            handle = private_file(path, mode=file_mode(shared=self.shared))
        except OSError as error:
            raise OutputError(str(path), system_words(error)) from error
        try:
            end = time.monotonic() + PATIENCE_SECONDS
            while True:
                held = PLATFORM.lock(handle)
                if held is None:
                    raise OutputError(str(path), say("files cannot be locked there"))
                if held:
                    break
                if time.monotonic() > end:
                    raise ArchiveBusy(str(self.root), PATIENCE_SECONDS)
                time.sleep(_LOOK_SECONDS)
            yield
        finally:
            PLATFORM.let_go(handle)  # as the end of the process does

    def hold_free(self, name: str) -> None:
        """Hold that no entry has that name.

        Raises:
            JobTaken: one has.
        """
        with self.index() as index:
            if index.has(name):
                raise JobTaken(str(self.root), name)

    @contextmanager
    def staged(self, name: str) -> Iterator[Path]:
        """Give a new folder in which an entry is written; what is not filed then goes away.

        What killed runs left there goes first.

        Raises:
            OutputError: it cannot be made.
        """
        hold_no_link(self.unfinished)
        folder = self.unfinished / f"{name}.{secrets.token_hex(4)}.held"
        remove_left_folders(self.unfinished, _STAGED_NAME, own=False)
        try:
            make_folder(folder)
            lock = hold_folder(folder)
        except OSError as error:
            raise OutputError(str(folder), system_words(error)) from error
        except LostError as error:
            raise OutputError(str(folder), say("another run removed it; try again")) from error
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)
            let_go(lock)

    def file_entry(self, folder: Path, name: str, key: Key | None) -> Seal:
        """Seal what is in a staged folder, and let it appear among the jobs.

        Every file in it was synced when it was written.

        Raises:
            JobTaken: there is an entry of that name.
            OutputError: it could not be filed; nothing of it appears then.
        """
        with self.locked(), self.index(look_at_all=True) as index:
            if index.has(name):
                raise JobTaken(str(self.root), name)
            # NOTE: from the index, so that a newest seal damaged since does not cut the chain here.
            previous = index.newest()
            try:
                seal = make_seal(folder, name, previous, key)
                with whole_file(folder / SEAL_NAME) as file:
                    file.write(seal.model_dump_json(by_alias=True, indent=2).encode() + b"\n")
                if self.shared:
                    let_in(folder, shared=True)
                folder.rename(self.jobs / name)
                PLATFORM.sync_folder(self.jobs)
            except OSError as error:
                raise OutputError(str(self.jobs / name), system_words(error)) from error
            index.refresh(name)
            return seal


def open_archive(root: Path) -> Archive:
    """Return the archive in a folder.

    Raises:
        ArchiveForeign: there is none.
    """
    try:
        with (root / _MARK_NAME).open("rb") as file:
            mark = json.loads(file.read(_LONGEST_MARK_BYTES))
    except FileNotFoundError as error:
        reason = say("its archive.json is missing")
        if not root.is_dir():
            reason = say("there is no such folder")
        raise ArchiveForeign(str(root), reason) from error
    except OSError as error:
        raise ArchiveForeign(str(root), system_words(error)) from error
    except (ValueError, RecursionError):
        mark = None
    shared = mark.get("shared", False) if isinstance(mark, dict) else None
    if not isinstance(shared, bool) or mark.get("schema") != ARCHIVE_SCHEMA:
        raise ArchiveForeign(
            str(root), say("its archive.json is not one of {schema}", schema=ARCHIVE_SCHEMA)
        )
    return Archive(root, shared=shared)


def make_archive(root: Path, *, shared: bool = False) -> Archive:
    """Return the archive in a folder, made there if it is new or empty.

    `shared`: a new one is shared with the folder's group.

    Raises:
        ArchiveForeign: there is something else in it.
        OutputError: it cannot be made.
    """
    archive = Archive(root)
    parts = {archive.jobs.name, archive.unfinished.name}
    try:
        make_folder(root)
        if not (root / _MARK_NAME).exists():
            others = {item.name for item in root.iterdir() if not item.name.startswith(".archive.")}
            if others - parts - {_MARK_NAME}:
                raise ArchiveForeign(str(root), say("the folder holds other things"))
            for name in parts:
                hold_no_link(root / name)
                make_folder(root / name)
            _write_mark(root, shared=False)
            if shared:
                return share_archive(open_archive(root), shared=True)
    except OSError as error:
        raise OutputError(str(root), system_words(error)) from error
    return open_archive(root)


def share_archive(archive: Archive, *, shared: bool, group: int | None = None) -> Archive:
    """Store whether an archive is shared with the accounts of its group, and let them in or not.

    `group`: the number of a group that all of it is given to, if it is another than now.

    Raises:
        ArchiveBusy: somebody is filing.
        OutputError: part of it is another account's, or this one is not of that group.
    """
    with archive.locked():
        _write_mark(archive.root, shared=shared)
        try:
            let_in(archive.root, shared=shared, group=group)
        except OSError as error:
            raise OutputError(str(archive.root), system_words(error)) from error
    return Archive(archive.root, shared=shared)


def _write_mark(root: Path, *, shared: bool) -> None:
    mark = {"schema": ARCHIVE_SCHEMA} | ({"shared": True} if shared else {})
    with whole_file(root / _MARK_NAME, replace=True) as file:
        file.write(json.dumps(mark).encode() + b"\n")


def archive_around(folder: Path) -> Path | None:
    """Return the archive that a folder is a sealed part of, or will be; `None`: of none.

    A job's folder that was copied elsewhere is one by itself.
    """
    real = PLATFORM.real_path(folder)
    if read_entry(real).seal is not None:
        return real
    parts = {"jobs", "unfinished"}
    return next(
        (
            place.parent
            for place in (real, *real.parents)
            if place.name in parts and (place.parent / _MARK_NAME).is_file()
        ),
        None,
    )
