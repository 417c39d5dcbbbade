"""The formats of a written report, by the ending of its file's name."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass

from verify.report.csv_text import COLUMNS, csv_text
from verify.report.handover import REPORT_SCHEMA, Handover, report_document
from verify.report.html import html
from verify.report.json_text import as_json
from verify.report.markdown import markdown, title_in
from verify.report.pdf import layout_library, pdf
from verify.text.language import ENGLISH, LANGUAGES, speaking


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """One format of a report.

    `begins`: how a file of it may begin, since nothing else is ever replaced. `made`: its text, or
    its bytes, for a sheet of `PAPERS` where it has sheets. `translated`: people read it, in their
    language; others are English. `ready` raises UsageError where a library is not there.
    """

    begins: tuple[str, ...]
    made: Callable[[Handover, str], str | bytes]
    translated: bool = True
    ready: Callable[[], object] | None = None


_HTML = Format(begins=("<!DOCTYPE html>",), made=lambda handover, _: html(handover))

FORMATS = {
    ".html": _HTML,
    ".htm": _HTML,
    ".pdf": Format(begins=("%PDF-",), made=pdf, ready=layout_library),
    ".json": Format(
        begins=(f'{{\n  "schema": "{REPORT_SCHEMA}"',),
        made=lambda handover, _: as_json(report_document(handover)) + "\n",
        translated=False,
    ),
    ".csv": Format(
        begins=(",".join(COLUMNS),),
        made=lambda handover, _: csv_text(handover),
        translated=False,
    ),
    ".md": Format(
        begins=tuple(map(title_in, LANGUAGES)), made=lambda handover, _: markdown(handover)
    ),
}

TEXT_ENDINGS = tuple(
    ending for ending, form in FORMATS.items() if form.ready is None and ending != ".htm"
)
"""One ending of each format that needs no optional library; what it names is text."""


def beginnings(ending: str) -> tuple[bytes, ...]:
    """Return how a file of an ending of `FORMATS` may begin."""
    return tuple(text.encode("utf-8") for text in FORMATS[ending].begins)


def rendered(handover: Handover, ending: str, paper: str, *, language: str = ENGLISH) -> bytes:
    """Return the report in the format of an ending; `paper` is a sheet of `PAPERS`.

    `language` is one of `LANGUAGES`, for the formats that people read.

    Raises:
        UsageError: the format needs a library that is not there.
    """
    form = FORMATS[ending]
    with speaking(language) if form.translated else nullcontext():
        made = form.made(handover, paper)
    return made if isinstance(made, bytes) else made.encode("utf-8")
