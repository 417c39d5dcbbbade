"""Jobs for another program: one JSON document a line."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from verify.errors import WitnessError
from verify.jobs.entry import COMPARISON_NAME
from verify.jobs.index import Wanted
from verify.report.comparison_file import open_comparison

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.jobs.archive import Archive

_TOLD = {"findings", "outcomes", "evidence", "pairs"}


def export_lines(archive: Archive) -> Iterator[bytes]:
    """Yield every job: its record, and what its comparison tells beyond that.

    A job whose comparison cannot be read says so in `unreadable`.
    """
    with archive.index() as index:
        records = index.jobs(Wanted())
    for record in records:
        try:
            comparison = open_comparison(archive.file(record["job"], COMPARISON_NAME))
            told = comparison.model_dump(mode="json", by_alias=True, include=_TOLD)
            levels = {"levels": record["findings"], "unreadable": None}
        except WitnessError as error:
            told = dict.fromkeys(_TOLD)
            levels = {"levels": record["findings"], "unreadable": str(error)}
        line = json.dumps(record | told | levels, ensure_ascii=True, separators=(",", ":"))
        yield line.encode("ascii") + b"\n"
