r"""Every file and folder that differs, as a list: CSV, JSON lines, or the paths to copy.

Lists are made row by row, so that a million differences need no more memory than one.

A path in a plain list begins with `./` and is what the old drive's filesystem shows on Linux: of
ext its own bytes, of NTFS, FAT and exFAT UTF-8, in which a lone surrogate is written as ntfs-3g
writes it. So no name is an option or a comment to rsync, tar or cpio.
"""

from __future__ import annotations

import json
from dataclasses import fields
from typing import TYPE_CHECKING

from verify.report.csv_text import csv_line
from verify.rules.difference_rows import DifferenceRow
from verify.units import moment_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

COLUMNS = ("partition", *(item.name for item in fields(DifferenceRow) if item.name != "utf16"))


def json_lines(rows: Iterable[DifferenceRow]) -> Iterator[bytes]:
    r"""Yield each row as a line of JSON, in ASCII alone: no name is changed.

    What of a name is no text stands as `\udcNN`, a lone surrogate, which JSON can carry.
    """
    for row in rows:
        yield json_line(as_document(row))


def json_line(row: Mapping[str, object]) -> bytes:
    """Return a plain document as a line of JSON, in ASCII alone."""
    return json.dumps(row, separators=(",", ":")).encode("ascii") + b"\n"


def csv_lines(rows: Iterable[DifferenceRow]) -> Iterator[bytes]:
    """Yield a head and each row as CSV (RFC 4180), which no spreadsheet takes for a formula.

    Names are made harmless, so that they are for people; programs take the JSON lines.
    """
    yield csv_line(COLUMNS)
    for row in rows:
        cells = {name: getattr(row, name) for name in COLUMNS}
        cells["kinds"] = " ".join(row.kinds)
        for side in ("source_modified", "target_modified"):
            cells[side] = day_in_list(cells[side])
        yield csv_line(cells.values())


def as_document(row: DifferenceRow) -> dict[str, str | int | bool | list[str] | None]:
    """Return a row as a plain document."""
    told = {name: getattr(row, name) for name in (*COLUMNS, "utf16")}
    return told | {"kinds": list(row.kinds), "level": row.level.value, "says": str(row.says)}


def path_in_list(row: DifferenceRow) -> bytes:
    """Return the path of a row from the root of its partition, as a plain list has it."""
    path = "." + row.path
    try:
        return path.encode("utf-8", "surrogatepass" if row.utf16 else "surrogateescape")
    except UnicodeEncodeError:  # no name of ext is so: the manifest is not from here
        return path.encode("utf-8", "surrogatepass")


def day_in_list(nanoseconds: int | None) -> str:
    """Say a time of modification to the second, in UTC; as a number where no calendar has it."""
    if nanoseconds is None:
        return ""
    try:
        moment = moment_of(nanoseconds // 1_000_000_000)
    except (OverflowError, ValueError, OSError):
        return str(nanoseconds)
    return moment.replace(tzinfo=None).isoformat(" ")
