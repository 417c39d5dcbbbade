"""The tables that an archive is exported as: which columns, of which type, and what they mean.

Columns may be added, never renamed. Moments are UTC; sizes are bytes unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.rules.comparison_document import Comparison

Type = Literal["string", "int32", "int64", "double", "timestamp"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name, its type, the unit where it has one, and its meaning."""

    name: str
    type: Type
    meaning: str
    unit: str | None = None


_JOB = (
    Column("job", "string", "the job's number or name"),
    Column("filed", "timestamp", "when it was filed", "UTC, to the second"),
)

_DRIVE = (
    Column("model", "string", "as the drive, or its adapter, tells it"),
    Column("serial", "string", "likewise"),
    Column("serial_source", "string", "`drive` or `adapter`: who gave the serial number"),
    Column("kind", "string", "`device` or `image`"),
    Column("disk_id", "string", "disk GUID, or signature in hex"),
    Column("size_bytes", "int64", "the whole drive", "bytes"),
    Column("sector_bytes", "int32", "a logical sector", "bytes"),
    Column("captured", "timestamp", "when reading it ended", "UTC, to the second"),
)


def _side(side: str, word: str) -> Iterator[Column]:
    for column in _DRIVE:
        meaning = f"{word} drive: {column.meaning}"
        yield Column(f"{side}_{column.name}", column.type, meaning, column.unit)


TABLES: dict[str, tuple[Column, ...]] = {
    "jobs": (
        *_JOB,
        Column("technician", "string", "who did it, as typed"),
        Column("customer", "string", "for whom: an alias, as typed"),
        Column("notes", "string", "as typed; only with `--names`"),
        Column("verdict", "string", "`sound`, `review` or `stop`, when it was filed"),
        Column("depth", "string", "`layout`, `sample` or `full`: of the drive read less deeply"),
        Column("tool_version", "string", "what judged it"),
        Column("stop_findings", "int32", "findings of level stop", "findings"),
        Column("review_findings", "int32", "findings of level review", "findings"),
        Column("note_findings", "int32", "findings of level note", "findings"),
        Column("files_listed", "int64", "names of files that took part", "files"),
        Column("files_hashed", "int64", "contents compared", "files and blocks"),
        Column("bytes_hashed", "int64", "contents compared", "bytes"),
        Column(
            "mismatches",
            "int64",
            "contents that differ and were to be the same",
            "files and blocks",
        ),
        Column(
            "bound_confidence", "double", "of the three bounds; none: nothing was drawn", "share"
        ),
        Column("bound_files", "int64", "files that could differ unseen, at most", "files"),
        Column("bound_rate", "double", "the same as a share of the files", "share"),
        Column("bound_bytes", "int64", "bytes that could differ unseen, at most", "bytes"),
        *_side("source", "old"),
        *_side("target", "new"),
        Column("unreadable", "string", "why its comparison cannot be read: no rows of it then"),
    ),
    "findings": (
        *_JOB,
        Column("rule", "string", "the rule's slug"),
        Column("level", "string", "`stop`, `review` or `note`"),
        Column("partition", "int32", "its number on the new drive, else on the old one"),
        Column("path", "string", "a file, or the digest that stands for its name"),
        Column("source", "string", "the old drive's value, where there are two, as text"),
        Column("target", "string", "the new drive's value, likewise"),
        Column("message", "string", "one sentence"),
        Column("advice", "string", "one sentence"),
    ),
    "outcomes": (
        *_JOB,
        Column("rule", "string", "the rule's slug"),
        Column(
            "outcome",
            "string",
            "`same`, `different`, `not_applicable`, `not_examined` or `crashed`",
        ),
        Column("compared", "int64", "how many things were compared", "things of the rule"),
        Column("reason", "string", "why it was not examined, or does not apply"),
    ),
}
"""Every table with its columns, in their order."""


def job_row(
    record: dict[str, Any], comparison: Comparison | None, why: str | None, *, names: bool
) -> dict[str, Any]:
    """Return a job's row, from its record and its comparison, or why that cannot be read."""
    row = {name: record[name] for name in ("job", "filed", "technician", "customer")}
    row |= {name: record[name] for name in ("verdict", "depth", "tool_version")}
    row["notes"] = record["notes"] if names else None
    row |= {f"{level}_findings": record["findings"].get(level, 0) for level in record["findings"]}
    for side in ("source", "target"):
        row |= {f"{side}_{column.name}": record[side][column.name] for column in _DRIVE}
    row["unreadable"] = why
    if comparison is not None:
        evidence = comparison.evidence
        row |= {
            "files_listed": evidence.files_listed,
            "files_hashed": evidence.files_hashed,
            "bytes_hashed": evidence.bytes_hashed,
            "mismatches": evidence.mismatches,
        }
        if bound := evidence.bound:
            row |= {
                "bound_confidence": bound.confidence,
                "bound_files": bound.files_at_most,
                "bound_rate": bound.rate_at_most,
                "bound_bytes": bound.bytes_at_most,
            }
    return row


def finding_rows(record: dict[str, Any], comparison: Comparison) -> Iterator[dict[str, Any]]:
    """Yield a row for each finding of a job."""
    for finding in comparison.findings:
        row = finding.model_dump(mode="json", exclude={"examples"})
        for side in ("source", "target"):
            row[side] = None if row[side] is None else str(row[side])
        yield {"job": record["job"], "filed": record["filed"], **row}


def outcome_rows(record: dict[str, Any], comparison: Comparison) -> Iterator[dict[str, Any]]:
    """Yield a row for each answer of a rule to a job."""
    for outcome in comparison.outcomes:
        row = outcome.model_dump(mode="json")
        yield {"job": record["job"], "filed": record["filed"], **row}
