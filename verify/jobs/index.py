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
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verify.jobs.entry import Entry, read_entry

if TYPE_CHECKING:
    from collections.abc import Iterator

_VERSION = 1
_PATIENCE_SECONDS = 30.0

_TABLES = """
create table if not exists meta (name text primary key, value integer);
create table if not exists entries (
  name text primary key, kind text not null, job text not null, number integer, seal text,
  inode integer not null, changed integer not null,
  filed integer, technician text, customer text, notes text, verdict text, depth text,
  source_model text, source_serial text, source_disk_id text, source_size integer,
  source_table text, target_model text, target_serial text, target_disk_id text,
  target_size integer, target_table text, record text);
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

SORTABLE = ("filed", "job", "verdict", "technician", "customer")
"""What a list of jobs can be sorted by."""

_DRIVE = ("serial", "disk_id", "table")
_SIDE = ("model", "serial", "disk_id", "size", "table")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which jobs are asked for; `None` asks for all. `text` is looked for in all words of a job.

    `since` and `until` bound when it was filed: seconds since 1970 UTC, the end left out. `drive`:
    serial, identifier and table digest of a drive, one of which a side has to have.
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
        with self.connection:
            with os.scandir(self.folder) as found:
                for item in found:
                    status = item.stat(follow_symlinks=False)
                    if known.pop(item.name, None) != (status.st_ino, status.st_mtime_ns):
                        self._put(item.name, status)
            gone = [(name,) for name in known]
            self.connection.executemany("delete from entries where name = ?", gone)
            self._set_stamp(stamp)

    def refresh(self, name: str) -> None:
        """Read one entry again, after it was changed here.

        NOTE: by then it stands, whatever becomes of the index: on a full disk that stays behind,
        and catches up when it is opened the next time.
        """
        with suppress(sqlite3.Error), self.connection:
            self._put(name, (self.folder / name).stat())
            self._set_stamp(self.folder.stat().st_mtime_ns)

    def newest(self) -> str | None:
        """Return the name of the entry with the highest number of the chain."""
        row = self.connection.execute(
            "select name from entries where number is not null order by number desc limit 1"
        ).fetchone()
        return None if row is None else str(row[0])

    def has(self, name: str) -> bool:
        """Whether there is an entry of that name, in any case of its letters."""
        query = "select 1 from entries where lower(name) = lower(?)"
        return self.connection.execute(query, (name,)).fetchone() is not None

    def jobs(self, wanted: Wanted) -> list[dict[str, Any]]:
        """Return the records of the jobs that are wanted."""
        conditions, values = ["kind = 'job'"], list[Any]()
        for column in ("verdict", "technician", "customer"):
            if (value := getattr(wanted, column)) is not None:
                conditions.append(f"{column} = ?")
                values.append(value)
        if wanted.text is not None:
            columns = (
                "job",
                "technician",
                "customer",
                "notes",
                *(f"{side}_{name}" for side in ("source", "target") for name in _SIDE[:3]),
            )
            conditions.append(
                "(" + " or ".join(f"{column} like ? escape '\\'" for column in columns) + ")"
            )
            values += [_like(wanted.text)] * len(columns)
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
        direction = "desc" if wanted.descending else "asc"
        limit = -1 if wanted.limit is None else wanted.limit
        query = (
            f"select record from entries where {' and '.join(conditions)}"  # noqa: S608 - own words
            f" order by {sort} {direction}, number {direction} limit {limit:d}"
        )
        return [json.loads(row[0]) for row in self.connection.execute(query, values)]

    def seals(self) -> dict[str, str]:
        """Return the seal of every job."""
        query = "select name, seal from entries where kind = 'job' and seal is not null"
        return dict(self.connection.execute(query).fetchall())

    def events(self, job: str) -> list[str]:
        """Return the names of the entries about a job that was filed, in their order."""
        query = "select name from entries where job = ? and kind not in ('job', 'stub')"
        return [row[0] for row in self.connection.execute(query + " order by number", (job,))]

    def _put(self, name: str, status: os.stat_result) -> None:
        row = _row(read_entry(self.folder / name))
        row |= {"name": name, "inode": status.st_ino, "changed": status.st_mtime_ns}
        columns = ", ".join(row)
        places = ", ".join(f":{column}" for column in row)
        query = f"insert or replace into entries ({columns}) values ({places})"  # noqa: S608 - own
        self.connection.execute(query, row)

    def _stamp(self) -> int | None:
        row = self.connection.execute("select value from meta where name = 'folder'").fetchone()
        return None if row is None else int(row[0])

    def _set_stamp(self, stamp: int) -> None:
        self.connection.execute("insert or replace into meta values ('folder', ?)", (stamp,))


@contextmanager
def open_index(file: Path, folder: Path, *, look_at_all: bool = False) -> Iterator[Index]:
    """Give the index of the entries in `folder`, up to date; in memory where it cannot be kept."""
    try:
        index = _opened(str(file), folder, look_at_all=look_at_all)
    except sqlite3.OperationalError:
        index = _opened(":memory:", folder)  # its place cannot be written to, or it is busy
    except sqlite3.DatabaseError:
        file.unlink(missing_ok=True)
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
            connection.execute("drop table if exists entries")
            connection.execute("drop table if exists meta")
        connection.executescript(_TABLES)
        connection.execute(f"pragma user_version = {_VERSION}")
    except BaseException:
        connection.close()
        raise
    return connection


def _row(entry: Entry) -> dict[str, Any]:
    """Return the columns of an entry."""
    row: dict[str, Any] = {
        "kind": entry.kind,
        "job": entry.job,
        "number": entry.seal.number if entry.seal else None,
        "seal": entry.seal.seal if entry.seal else None,
    }
    record = entry.record
    if record is None:
        return row
    for side in ("source", "target"):
        drive = getattr(record, side)
        values = (
            drive.model,
            drive.serial,
            drive.disk_id,
            drive.size_bytes,
            drive.table_digest,
        )
        row |= {f"{side}_{name}": value for name, value in zip(_SIDE, values, strict=True)}
    return row | {
        "filed": record.filed,
        "technician": record.technician,
        "customer": record.customer,
        "notes": record.notes,
        "verdict": record.verdict,
        "depth": record.depth,
        "record": record.model_dump_json(by_alias=True),
    }


def _like(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"%{escaped}%"
