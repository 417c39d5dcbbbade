"""Jobs for another program: one JSON document a line, without the names of files unless asked."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from verify.archive.entry import COMPARISON_NAME
from verify.archive.index import Wanted
from verify.errors import WitnessError
from verify.report.comparison_file import open_comparison
from verify.report.edition import Edition, in_edition, names_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.archive.archive import Archive
    from verify.rules.comparison_document import Comparison

_TOLD = {"findings", "outcomes", "evidence", "pairs"}


def exported(
    archive: Archive, *, names: bool
) -> Iterator[tuple[dict[str, Any], Comparison | None, str | None]]:
    """Yield every job: its record, its comparison, or else why that cannot be read.

    `names`: with the customer's file names; without, digests stand for them, as in a report.
    """
    edition = Edition.SHOP if names else Edition.CUSTOMER
    with archive.index() as index:
        records = index.jobs(Wanted())
    for record in records:
        try:
            comparison = open_comparison(archive.file(record["job"], COMPARISON_NAME))
        except WitnessError as error:
            yield record, None, str(error)
        else:
            yield record, in_edition(comparison, names_of(comparison, edition)), None


def export_lines(archive: Archive, *, names: bool = False) -> Iterator[bytes]:
    """Yield every job: its record, and what its comparison tells beyond that.

    A job whose comparison cannot be read says so in `unreadable`.
    """
    for record, comparison, why in exported(archive, names=names):
        told: dict[str, Any] = dict.fromkeys(_TOLD)
        if comparison is not None:
            told = comparison.model_dump(mode="json", by_alias=True, include=_TOLD)
        plain = record if names else record | {"notes": None}
        levels = {"levels": record["findings"], "unreadable": why}
        line = json.dumps(plain | told | levels, ensure_ascii=True, separators=(",", ":"))
        yield line.encode("ascii") + b"\n"
