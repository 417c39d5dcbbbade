"""Jobs, findings and outcomes as Parquet: a file each, for an engine that queries many of them.

Needs pyarrow, an optional extra. Each column's unit and meaning stand in its field's metadata.
"""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING, Any

from verify.archive.columns import TABLES, finding_rows, job_row, outcome_rows
from verify.archive.export import exported
from verify.errors import UsageError
from verify.text.message import say
from verify.whole_file import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path
    from types import ModuleType

    from verify.archive.archive import Archive
    from verify.archive.columns import Column

PARQUET_SCHEMA = "drivewitness.fleet/1"

_GROUP_ROWS = 50_000
"""Rows that wait in memory, and that lie together in a file."""


def parquet_library() -> tuple[ModuleType, ModuleType]:
    """Return pyarrow and its Parquet part.

    Raises:
        UsageError: it is not installed.
    """
    try:
        import pyarrow  # noqa: ICN001, PLC0415 - an optional extra
        from pyarrow import parquet  # noqa: PLC0415 - an optional extra
    except ImportError as error:
        advice = say("Install it with `pip install 'drivewitness[parquet]'`, or export JSON lines.")
        raise UsageError(say("Parquet needs pyarrow, which is not installed."), advice) from error
    return pyarrow, parquet


def export_parquet(archive: Archive, folder: Path, *, names: bool = False) -> int:
    """Write the three tables into an empty folder; return how many jobs there are.

    Raises:
        UsageError: pyarrow is not installed.
        OutputError: a file cannot be written.
    """
    count = 0
    with ExitStack() as stack:
        tables = {
            name: stack.enter_context(_Table.opened(folder / f"{name}.parquet", columns))
            for name, columns in TABLES.items()
        }
        for record, comparison, why in exported(archive, names=names):
            count += 1
            tables["jobs"].add([job_row(record, comparison, why, names=names)])
            if comparison is not None:
                tables["findings"].add(finding_rows(record, comparison))
                tables["outcomes"].add(outcome_rows(record, comparison))
    return count


class _Table:
    """A file that is being written; rows go out in groups."""

    def __init__(self, writer: Any, schema: Any) -> None:
        self.writer, self.schema = writer, schema
        self.rows: list[dict[str, Any]] = []

    @classmethod
    @contextmanager
    def opened(cls, path: Path, columns: tuple[Column, ...]) -> Iterator[_Table]:
        """Give a new table; the file gets its name once all of it is written."""
        library, parquet = parquet_library()
        schema = _schema(library, columns)
        with (
            whole_file(path) as file,
            parquet.ParquetWriter(file, schema, compression="zstd") as writer,
        ):
            table = cls(writer, schema)
            yield table
            table.flush()

    def add(self, rows: Iterable[dict[str, Any]]) -> None:
        """Add rows."""
        self.rows += rows
        if len(self.rows) >= _GROUP_ROWS:
            self.flush()

    def flush(self) -> None:
        """Write what waits."""
        library, _ = parquet_library()
        if self.rows:
            self.writer.write_table(library.Table.from_pylist(self.rows, schema=self.schema))
        self.rows = []


def _schema(library: ModuleType, columns: tuple[Column, ...]) -> Any:
    types = {
        "string": library.string(),
        "int32": library.int32(),
        "int64": library.int64(),
        "double": library.float64(),
        # NOTE: Parquet knows no whole seconds; the library writes them as milliseconds.
        "timestamp": library.timestamp("s", tz="UTC"),
    }
    fields = [
        library.field(
            column.name,
            types[column.type],
            metadata={"meaning": column.meaning} | ({"unit": column.unit} if column.unit else {}),
        )
        for column in columns
    ]
    return library.schema(fields, metadata={"schema": PARQUET_SCHEMA})
