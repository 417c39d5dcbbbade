"""The findings as CSV (RFC 4180), one row each, for whoever counts them."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING

from verify.report.harmless import harmless

if TYPE_CHECKING:
    from collections.abc import Iterable

    from verify.report.handover import Handover
    from verify.rules.rule import Value

COLUMNS = (
    "edition",
    "verdict",
    "level",
    "rule",
    "partition",
    "path",
    "path_digest",
    "source",
    "target",
    "message",
    "advice",
    "examples",
)

_LONGEST = 8192
_FORMULA = re.compile(r"(^|;)(\s*)(?=[=+@\uff1d\uff0b\uff20\uff0d-])")
"""What begins a formula to a spreadsheet, full-width signs among it; an apostrophe before it makes
it text. In many countries a semicolon parts the cells, whatever the file's own separator is."""


def csv_text(handover: Handover) -> str:
    """Return the findings; a comparison without any gives one row that says so."""
    paper = io.StringIO()
    writer = csv.writer(paper, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    document = handover.document
    first = handover.edition.value, document.verdict
    for row, reference in zip(document.findings, handover.references, strict=True):
        cells = (
            row.level.value,
            row.rule,
            row.partition,
            row.path,
            reference,
            row.source,
            row.target,
            row.message,
            row.advice,
        )
        examples = " | ".join(str(csv_cell(path)) for path in row.examples)
        writer.writerow([*first, *(csv_cell(cell) for cell in cells), examples])
    if not document.findings:
        writer.writerow([*first, *[""] * 7, "no findings", "", ""])
    return paper.getvalue()


def csv_line(cells: Iterable[Value]) -> bytes:
    """Return a row by itself, for lists that are written as they are made."""
    paper = io.StringIO()
    csv.writer(paper, lineterminator="\r\n").writerow(map(csv_cell, cells))
    return paper.getvalue().encode("utf-8")


def csv_cell(value: Value) -> Value:
    """Return a value as a cell: text from a drive can be read there, and does nothing else."""
    if not isinstance(value, str):
        return value
    return _FORMULA.sub(r"\1\2'", harmless(value, _LONGEST))
