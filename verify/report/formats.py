"""The formats of a written report, by the ending of its file's name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.report.csv_text import COLUMNS, csv_text
from verify.report.handover import REPORT_SCHEMA, report_document
from verify.report.html import html
from verify.report.json_text import as_json
from verify.report.markdown import markdown, title_in
from verify.report.pdf import pdf
from verify.text.language import ENGLISH, LANGUAGES, speaking

if TYPE_CHECKING:
    from verify.report.handover import Handover

_BEGINNINGS = {
    ".html": "<!DOCTYPE html>",
    ".htm": "<!DOCTYPE html>",
    ".pdf": "%PDF-",
    ".json": f'{{\n  "schema": "{REPORT_SCHEMA}"',
    ".csv": ",".join(COLUMNS),
}

ENDINGS = (*_BEGINNINGS, ".md")
"""Every ending of a report's file."""


def beginnings(ending: str) -> tuple[bytes, ...]:
    """Return how a file of one of `ENDINGS` may begin: nothing else is ever replaced."""
    if ending == ".md":
        return tuple(title_in(language).encode("utf-8") for language in LANGUAGES)
    return (_BEGINNINGS[ending].encode("ascii"),)


def rendered(handover: Handover, ending: str, paper: str, *, language: str = ENGLISH) -> bytes:
    """Return the report in the format of an ending; `paper` is a sheet of `PAPERS`, for PDF.

    `language` is one of `LANGUAGES`, for the formats that people read: JSON and CSV are English.

    Raises:
        UsageError: the format needs a library that is not there.
    """
    if ending == ".json":
        return (as_json(report_document(handover)) + "\n").encode("ascii")
    if ending == ".csv":
        return csv_text(handover).encode("utf-8")
    with speaking(language):
        if ending == ".pdf":
            return pdf(handover, paper)
        return (markdown if ending == ".md" else html)(handover).encode("utf-8")
