"""The formats of a written report, by the ending of its file's name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.report.csv_text import COLUMNS, csv_text
from verify.report.handover import REPORT_SCHEMA, report_document
from verify.report.html import html
from verify.report.json_text import as_json
from verify.report.markdown import markdown
from verify.report.pdf import pdf

if TYPE_CHECKING:
    from verify.report.handover import Handover

BEGINNINGS = {
    ".html": b"<!DOCTYPE html>",
    ".htm": b"<!DOCTYPE html>",
    ".pdf": b"%PDF-",
    ".json": f'{{\n  "schema": "{REPORT_SCHEMA}"'.encode(),
    ".md": b"# Drive migration report",
    ".csv": ",".join(COLUMNS).encode(),
}
"""Every ending, and how a file of that format begins: nothing else is ever replaced."""


def rendered(handover: Handover, ending: str, paper: str) -> bytes:
    """Return the report in the format of an ending; `paper` is a sheet of `PAPERS`, for PDF.

    Raises:
        UsageError: the format needs a library that is not there.
    """
    if ending == ".pdf":
        return pdf(handover, paper)
    if ending == ".json":
        return (as_json(report_document(handover)) + "\n").encode("ascii")
    text = {".md": markdown, ".csv": csv_text}.get(ending, html)(handover)
    return text.encode("utf-8")
