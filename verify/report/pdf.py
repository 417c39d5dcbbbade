"""The report as PDF: the HTML page, laid out and tagged by a library that is an optional extra."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, NoReturn

from verify.errors import UsageError
from verify.report.html import html

if TYPE_CHECKING:
    from verify.report.handover import Handover

PAPERS = {"a4": "A4", "letter": "Letter"}
"""Sheets by the names that options have, as CSS calls them."""


def pdf(handover: Handover, paper: str = "a4") -> bytes:
    """Return the report as a tagged PDF with title and language.

    Raises:
        UsageError: the library is not there.
    """
    library = layout_library()
    page = library.HTML(string=html(handover), url_fetcher=_refuse)
    sheet = library.CSS(string=f"@page {{ size: {PAPERS[paper]} }}")
    # NOTE: the identifier follows from the contents: the same report gives the same file.
    written: bytes = page.write_pdf(
        stylesheets=[sheet],
        pdf_variant="pdf/ua-1",
        pdf_identifier=handover.digest.encode("ascii"),
    )
    return written


def layout_library() -> Any:
    """Return the library that makes PDF.

    Raises:
        UsageError: it, or a system library that it needs, is not there.
    """
    try:
        return import_module("weasyprint")
    except (ImportError, OSError) as error:
        raise UsageError(
            "PDF needs a library that is not there.",
            "Install drivewitness[pdf] and the system's Pango; or write HTML and print that.",
        ) from error


def _refuse(url: str, *_: object, **__: object) -> NoReturn:
    raise ValueError(url)
