"""The report as PDF: the HTML page, laid out and tagged by a library that is an optional extra."""

from __future__ import annotations

from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING, Any

from verify.errors import UsageError
from verify.report.html import html
from verify.report.picture import PICTURE_TITLE
from verify.report.places_ruler import PLACES_TITLE
from verify.text.language import translated
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.report.handover import Handover

_POINTS_A_PIXEL = 72 / 96
"""A CSS pixel is 1/96 inch, a point of PDF 1/72."""

PAPERS = {"a4": "A4", "letter": "Letter"}
"""Sheets by the names that options have, as CSS calls them."""


def pdf(
    handover: Handover, paper: str = "a4", page_of: Callable[[Handover], str] | None = None
) -> bytes:
    """Return the report as a tagged PDF with title and language.

    `page_of` makes its page, if not `html`.

    Raises:
        UsageError: the library is not there.
    """
    library = layout_library()
    # NOTE: what stands in the page itself is all that is fetched: a shop's logo. Else it fails.
    only_data = library.urls.URLFetcher(
        allowed_protocols=("data",), allow_redirects=False, fail_on_errors=True
    )
    page = library.HTML(string=(page_of or html)(handover), url_fetcher=only_data)
    sheet = library.CSS(string=f"@page {{ size: {PAPERS[paper]} }}")
    # NOTE: the identifier follows from the contents: the same report gives the same file.
    try:
        written: bytes = page.write_pdf(
            stylesheets=[sheet],
            pdf_variant="pdf/ua-1",
            pdf_identifier=handover.digest.encode("ascii"),
            finisher=partial(_finish, handover),
        )
    except library.urls.FatalURLFetchingError as error:  # which is no `Exception`
        raise ValueError(str(error)) from error
    return written


def _finish(handover: Handover, document: Any, made: Any) -> None:
    """Put right in the tags what the library leaves out of them or counts otherwise.

    SPEC: ISO 32000-1, 14.8.5: a figure's box is in points from the page's lower left corner (the
    library's: CSS pixels from its upper left one), a heading cell says what it heads, and an
    alternative text stands for the whole picture (the library's: its title alone).
    """
    height = document.pages[0].height
    pictures = {PICTURE_TITLE: handover.picture.words, PLACES_TITLE: handover.places.words}
    words = {translated(title): translated(text) for title, text in pictures.items()}
    for item in made.objects:
        if not isinstance(item, dict):
            continue
        if item.get("S") == "/Figure":
            left, top, right, bottom = item["A"]["BBox"]
            ends = left, height - bottom, right, height - top
            item["A"]["BBox"][:] = [round(end * _POINTS_A_PIXEL, 4) for end in ends]
            title = item["Alt"].string
            if title in words:  # a shop's logo is no picture of drives
                item["Alt"].string = f"{title}. {words[title]}"
        elif item.get("S") == "/TH":
            item["A"]["Scope"] = "/Column"


def layout_library() -> Any:
    """Return the library that makes PDF.

    Raises:
        UsageError: it, or a system library that it needs, is not there.
    """
    try:
        return import_module("weasyprint")
    except (ImportError, OSError) as error:
        raise UsageError(
            say("A PDF report needs a library that is not installed."),
            say("Install drivewitness[pdf] and the system's Pango, or write .html and print that."),
        ) from error
