r"""Every file of a manifest as a list to hand on: CSV for people, checksums for `b3sum --check`.

A line of checksums is `<digest>  <path>`. What cannot stand in one is escaped, and the line then
begins with a backslash (b3sum's "what_does_check_do", as `md5sum` has it): `\\` and `\n`. Paths
begin with `./` and count from the root of their partition.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.report.csv_text import csv_line
from verify.report.difference_lists import day_in_list

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.entry import Entry

COLUMNS = (
    "partition",
    "path",
    "kind",
    "bytes",
    "modified",
    "created",
    "attributes",
    "mode",
    "owner",
    "links",
    "read",
    "blake3",
    "reason",
)

_REPLACED = "\ufffd"
"""b3sum refuses a path that has it: it stands for bytes that are no text."""


def csv_head() -> bytes:
    """Return the head of a list as CSV (RFC 4180)."""
    return csv_line(COLUMNS)


def csv_rows(partition: int, entries: Iterable[Entry]) -> Iterator[bytes]:
    """Yield each entry of a partition as a row of CSV, which no spreadsheet takes for a formula.

    `read`: `full`, `blocks` of it, or `no`; `reason`: why it was to be read and was not.
    """
    for entry in entries:
        yield csv_line(
            (
                partition,
                entry.path,
                entry.kind,
                entry.size,
                day_in_list(entry.modified),
                day_in_list(entry.created),
                None if entry.attributes is None else f"{entry.attributes:08X}",
                None if entry.mode is None else f"{entry.mode:04o}",
                entry.owner,
                entry.links,
                "full" if entry.digest else "blocks" if entry.blocks else "no",
                entry.digest,
                entry.unhashed,
            )
        )


def checksum_line(digest: str, path: str) -> bytes | None:
    r"""Return the line that `b3sum --check` takes; `None`: no such line can name this path.

    NOTE: a carriage return stands as it is, since b3sum before 1.5.5 knows no `\r`; only at the
    end, where later versions cut a bare one off, is it escaped.
    """
    if _REPLACED in path:
        return None
    name = "." + path
    escaped = name.replace("\\", r"\\").replace("\n", r"\n")
    if escaped.endswith("\r"):
        kept = escaped.rstrip("\r")
        escaped = kept + r"\r" * (len(escaped) - len(kept))
    mark = "\\" if escaped != name else ""
    try:
        return f"{mark}{digest}  {escaped}\n".encode()
    except UnicodeEncodeError:
        return None
