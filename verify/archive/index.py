"""The index of an archive: SQLite, made from the folders, and never the only copy of anything.

It is brought up to date with the folders before it is asked: folders that came, changed or went
since are read again, the rest is believed. A damaged or missing index is made anew.
"""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from verify.archive.entry import Entry, read_entry
from verify.archive.parallel import in_shares
from verify.archive.seal import Before
from verify.report.harmless import harmless
from verify.units import moment_of
from verify.whole_file import PRIVATE_FILE, private_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from verify.archive.job_record import JobRecord

_VERSION = 2
_PATIENCE_SECONDS = 30.0

_TABLES = """
create table if not exists meta (name text primary key, value integer);
create table if not exists entries (
  entry integer primary key, name text not null unique,
  kind text not null, job text not null, number integer, seal text,
  inode integer not null, changed integer not null,
  filed integer, technician text, customer text, verdict text, listed text,
  source_model text, source_serial_source text,
  source_serial text, source_disk_id text, source_table text,
  target_serial text, target_disk_id text, target_table text);
create table if not exists words (entry integer primary key, words text not null);
create table if not exists records (entry integer primary key, record text not null);
create index if not exists by_number on entries (number);
create index if not exists by_filed on entries (kind, filed);
create index if not exists by_job on entries (job);
create index if not exists by_source_serial on entries (source_serial);
create index if not exists by_source_disk_id on entries (source_disk_id);
create index if not exists by_source_table on entries (source_table);
create index if not exists by_target_serial on entries (target_serial);
create index if not exists by_target_disk_id on entries (target_disk_id);
create index if not exists by_target_table on entries (target_table);
"""

_OF_AN_ENTRY = ("entries", "words", "records")

SORTABLE = ("filed", "job", "verdict", "technician", "customer")
"""What a list of jobs can be sorted by."""

_DRIVE = ("serial", "disk_id", "table")

BETWEEN = "\x1f"
"""Stands between the words of a line: no harmless text has it (ASCII, unit separator)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which jobs are asked for; `None` asks for all. `text` is looked for in all words of a job.

    `since` and `until` bound when it was filed: seconds since 1970 UTC, the end left out. `drive`:
    serial, identifier and table digest of a drive, one of which a side has to have; its jobs come
    in the order of the chain, whatever the clock said.
    """

    text: str | None = None
    verdict: str | None = None
    technician: str | None = None
    customer: str | None = None
    since: int | None = None
    until: int | None = None
    drive: tuple[str | None, str | None, str] | None = None
    sort: str = "filed"
    descending: bool = False
    limit: int | None = None


@dataclass(frozen=True, slots=True)
class Index:
    """An index that is up to date with the folders."""

    connection: sqlite3.Connection
    folder: Path

    def bring_up_to_date(self, *, look_at_all: bool = False) -> None:
        """Read what changed. Without `look_at_all`: if the folder's own time says that any did."""
        stamp = self.folder.stat().st_mtime_ns
        if not look_at_all and self._stamp() == stamp:
            return
        known = {
            name: (inode, changed)
            for name, inode, changed in self.connection.execute(
                "select name, inode, changed from entries"
            )
        }
        found: list[_Found] = []
        with os.scandir(self.folder) as items:
            for item in items:
                if not item.name.isascii():
                    continue  # no entry has such a name, and no text could hold some of them
                # NOTE: the entry's own stat() has no inode on Windows, and its times may be stale.
                status = os.lstat(item.path)
                there = _Found(item.name, status.st_ino, status.st_mtime_ns)
                if known.pop(item.name, None) != there[1:]:
                    found.append(there)
        with self.connection:
            self._put(in_shares(partial(_rows, os.fspath(self.folder)), found))
            for name in known:
                self._forget(name)
            self._set_stamp(stamp)

    def refresh(self, name: str) -> None:
        """Read one entry again, after it was changed here.

        NOTE: by then it stands, whatever becomes of the index: on a full disk that stays behind,
        and catches up when it is opened the next time.
        """
        with suppress(sqlite3.Error), self.connection:
            status = (self.folder / name).stat()
            found = _Found(name, status.st_ino, status.st_mtime_ns)
            self._put(_rows(os.fspath(self.folder), [found]))
            self._set_stamp(self.folder.stat().st_mtime_ns)

    def newest(self) -> Before | None:
        """Return the seal with the highest number of the chain, as it was when it was read."""
        row = self.connection.execute(
            "select number, name, seal from entries where number is not null"
            " order by number desc limit 1"
        ).fetchone()
        return None if row is None else Before(*row)

    def unreadable(self) -> list[str]:
        """Return the entries that no list can have: without a record, and not deleted by a word."""
        query = (
            "select name from entries e where kind = 'foreign' or (kind = 'stub' and not exists"
            " (select 1 from entries d where d.job = e.job and d.kind = 'deleted')) order by name"
        )
        return [row[0] for row in self.connection.execute(query)]

    def has(self, name: str) -> bool:
        """Whether there is an entry of that name, in any case of its letters."""
        query = "select 1 from entries where lower(name) = lower(?)"
        return self.connection.execute(query, (name,)).fetchone() is not None

    def jobs(self, wanted: Wanted) -> list[dict[str, Any]]:
        """Return the records of the jobs that are wanted."""
        return [json.loads(text) for text in self.records(wanted)]

    def to_draw_from(self, wanted: Wanted) -> list[dict[str, Any]]:
        """Return what an audit's draw looks at of the jobs that are wanted, as in their records."""
        columns = "job, filed, verdict, technician, source_model, source_serial_source"
        return [
            {
                "job": job,
                "filed": filed,
                "verdict": verdict,
                "technician": technician,
                "source": {"model": model, "serial_source": serial_source},
            }
            for job, filed, verdict, technician, model, serial_source in self._select(
                columns, wanted
            )
        ]

    def records(self, wanted: Wanted) -> Iterator[str]:
        """Yield the records of the jobs that are wanted, each as JSON in ASCII."""
        return (row[0] for row in self._select("record", wanted, "join records using (entry)"))

    def lines(self, wanted: Wanted) -> list[str]:
        """Return what a list shows of the jobs that are wanted, made harmless.

        Each: job, day, verdict, technician, customer, and what names each drive, with `BETWEEN`
        between them.
        """
        return [listed for (listed,) in self._select("listed", wanted)]

    def _select(self, what: str, wanted: Wanted, more: str = "") -> sqlite3.Cursor:
        # NOTE: to go by the time of filing costs more than to sort, where nothing cuts the list.
        by_time = wanted.limit is not None and wanted.drive is None
        conditions, values = ["kind = 'job'" if by_time else "+kind = 'job'"], list[Any]()
        for column in ("verdict", "technician", "customer"):
            if (value := getattr(wanted, column)) is not None:
                conditions.append(f"{column} = ?")
                values.append(value)
        if wanted.text is not None:
            conditions.append("entry in (select entry from words where instr(words, ?))")
            values.append(wanted.text.casefold())
        if wanted.since is not None:
            conditions.append("filed >= ?")
            values.append(wanted.since)
        if wanted.until is not None:
            conditions.append("filed < ?")
            values.append(wanted.until)
        if wanted.drive is not None:
            sides = [f"{side}_{name}" for side in ("source", "target") for name in _DRIVE]
            conditions.append("(" + " or ".join(f"{column} = ?" for column in sides) + ")")
            values += [*wanted.drive, *wanted.drive]
        sort = wanted.sort if wanted.sort in SORTABLE else SORTABLE[0]
        if wanted.drive is not None:
            sort = "number"  # a clock that was set back must not make an older job the newest
        direction = "desc" if wanted.descending else "asc"
        limit = "" if wanted.limit is None else f" limit {wanted.limit:d}"
        query = (
            f"select {what} from entries {more} where {' and '.join(conditions)}"  # noqa: S608 - own
            f" order by {sort} {direction}, number {direction}{limit}"
        )
        return self.connection.execute(query, values)

    def seals(self) -> dict[str, str]:
        """Return the seal of every job."""
        query = "select name, seal from entries where kind = 'job' and seal is not null"
        return dict(self.connection.execute(query).fetchall())

    def events(self, job: str) -> list[str]:
        """Return the names of the entries about a job that was filed, in their order."""
        query = "select name from entries where job = ? and kind not in ('job', 'stub')"
        return [row[0] for row in self.connection.execute(query + " order by number", (job,))]

    def about(self, job: str) -> list[str]:
        """Return the names of all entries of a job: its own, and what was filed about it."""
        query = "select name from entries where job = ? order by number"
        return [row[0] for row in self.connection.execute(query, (job,))]

    def _put(self, rows: Iterable[_Row]) -> None:
        """Write what is known of entries in the place of what was."""
        for row in rows:
            self._forget(row.columns["name"])
            columns = ", ".join(row.columns)
            places = ", ".join(f":{column}" for column in row.columns)
            query = f"insert into entries ({columns}) values ({places})"  # noqa: S608 - own words
            entry = self.connection.execute(query, row.columns).lastrowid
            for table, text in (("words", row.words), ("records", row.record)):
                if text is not None:
                    query = f"insert into {table} values (?, ?)"  # noqa: S608 - own words
                    self.connection.execute(query, (entry, text))

    def _forget(self, name: str) -> None:
        query = "select entry from entries where name = ?"
        for row in self.connection.execute(query, (name,)).fetchall():
            for table in _OF_AN_ENTRY:
                self.connection.execute(f"delete from {table} where entry = ?", row)  # noqa: S608 - own

    def _stamp(self) -> int | None:
        row = self.connection.execute("select value from meta where name = 'folder'").fetchone()
        return None if row is None else int(row[0])

    def _set_stamp(self, stamp: int) -> None:
        self.connection.execute("insert or replace into meta values ('folder', ?)", (stamp,))


@contextmanager
def open_index(
    file: Path, folder: Path, *, mode: int = PRIVATE_FILE, look_at_all: bool = False
) -> Iterator[Index]:
    """Give the index of the entries in `folder`, up to date; in memory where it cannot be kept.

    `mode`: of its file, if that has to be made.
    """
    try:
        # NOTE: SQLite would make it by the umask, and follow a link; its journal is as the file is.
        os.close(private_file(file, mode=mode))
        index = _opened(str(file), folder, look_at_all=look_at_all)
    except (OSError, sqlite3.OperationalError):
        index = _opened(":memory:", folder)  # its place cannot be written to, or it is busy
    except sqlite3.DatabaseError:
        file.unlink(missing_ok=True)
        os.close(private_file(file, mode=mode))
        index = _opened(str(file), folder)
    with closing(index.connection):
        yield index


def _opened(name: str, folder: Path, *, look_at_all: bool = False) -> Index:
    index = Index(_connect(name), folder)
    try:
        index.bring_up_to_date(look_at_all=look_at_all)
    except BaseException:
        index.connection.close()
        raise
    return index


def _connect(name: str) -> sqlite3.Connection:
    connection = sqlite3.connect(name, timeout=_PATIENCE_SECONDS)
    try:
        version = connection.execute("pragma user_version").fetchone()[0]
        if version not in (0, _VERSION):
            for table in (*_OF_AN_ENTRY, "meta"):
                connection.execute(f"drop table if exists {table}")
        connection.executescript(_TABLES)
        connection.execute(f"pragma user_version = {_VERSION}")
    except BaseException:
        connection.close()
        raise
    return connection


class _Found(NamedTuple):
    """A folder as it stands there: what tells whether it is the one that was read."""

    name: str
    inode: int
    changed: int


@dataclass(frozen=True, slots=True)
class _Row:
    """An entry for the index; `words`: all that is searched, `record`: of a job."""

    columns: dict[str, Any]
    words: str | None = None
    record: str | None = None


def _rows(folder: str, found: Sequence[_Found]) -> list[_Row]:
    """Read some entries."""
    return [
        _row(read_entry(f"{folder}/{there.name}"), there.inode, there.changed) for there in found
    ]


def _row(entry: Entry, inode: int, changed: int) -> _Row:
    columns: dict[str, Any] = {
        "name": entry.name,
        "inode": inode,
        "changed": changed,
        "kind": entry.kind,
        "job": entry.job,
        "number": entry.seal.number if entry.seal else None,
        "seal": entry.seal.seal if entry.seal else None,
    }
    record = entry.record
    if record is None:
        return _Row(columns)
    drives = record.source, record.target
    for side, drive in zip(("source", "target"), drives, strict=True):
        values = (drive.serial, drive.disk_id, drive.table_digest)
        columns |= {f"{side}_{name}": value for name, value in zip(_DRIVE, values, strict=True)}
    told = [record.job, record.technician, record.customer, record.notes]
    told += [word for drive in drives for word in (drive.model, drive.serial, drive.disk_id)]
    columns |= {
        "filed": record.filed,
        "technician": record.technician,
        "customer": record.customer,
        "verdict": record.verdict,
        "source_model": record.source.model,
        "source_serial_source": record.source.serial_source,
        "listed": BETWEEN.join(map(harmless, _listed(record))),
    }
    text = record.model_dump_json(by_alias=True)
    if not text.isascii():
        text = json.dumps(json.loads(text), ensure_ascii=True, separators=(",", ":"))
    return _Row(columns, "\n".join(word for word in told if word).casefold(), text)


def day_of(seconds: int) -> str:
    """Return the day of a moment (seconds since 1970 UTC) as 2031-02-28."""
    try:
        return moment_of(seconds).date().isoformat()
    except (OverflowError, OSError, ValueError):
        return str(seconds)


def _listed(record: JobRecord) -> Iterator[str]:
    yield record.job
    yield day_of(record.filed)
    yield record.verdict
    yield record.technician or ""
    yield record.customer or ""
    for drive in (record.source, record.target):
        named = drive.serial or drive.disk_id or drive.path
        yield f"{named} {drive.model}" if drive.model else named
