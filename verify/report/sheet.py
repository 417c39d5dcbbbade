"""The customer's sheet: one page of the report that says what to do, and is signed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from markupsafe import Markup

from verify.report.answer import ANSWER_WORDS
from verify.report.comparison_report import NOT_TOLD, both_sizes
from verify.report.edition import Edition
from verify.report.handover_words import DEPTHS, SIGNATURE_FIELDS, SIGNATURES
from verify.report.harmless import harmless
from verify.report.html import environment, style, tidy
from verify.report.letterhead import Letterhead
from verify.report.pdf import pdf
from verify.report.words import MARKS
from verify.text.language import speaking, spoken, translated
from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.report.handover import Handover

SHEET_ENDINGS = (".html", ".pdf")

_KEEP = say("Keep the old drive as it is. Do not wipe it, and do not give it away.")

_LONGEST = 60
"""Characters of a name on the sheet: longer ones would need a second page."""
_MOST_LINES = 5


def sheet(handover: Handover) -> str:
    """Return the sheet of a report in the customer's edition, as an HTML document.

    Raises:
        ValueError: the report has the customer's file names.
    """
    if handover.edition is not Edition.CUSTOMER:
        raise ValueError(handover.edition)
    shop = _short_letterhead(handover.shop)
    logo = "" if shop.logo is None else shop.logo.base64
    document, report = handover.document, handover.report
    answer = report.answer
    facts = tuple(map(_short, answer.facts))
    text = (
        environment()
        .get_template("sheet.html")
        .render(
            paper=handover,
            shop=shop,
            report=replace(report, answer=replace(answer, facts=facts)),
            keep="" if report.verdict == "sound" else _KEEP,
            drives=tuple(_drives(handover)),
            compared=say(
                "Read of the old drive: {old}. Read of the new drive: {new}.",
                old=DEPTHS[document.source.depth],
                new=DEPTHS[document.target.depth],
            ),
            marks=MARKS,
            answer_words=ANSWER_WORDS,
            signatures=SIGNATURES,
            signature_fields=SIGNATURE_FIELDS,
            language=spoken(),
            css=Markup(style()),  # noqa: S704 - our own style sheet
            logo=Markup(logo),  # noqa: S704 - a picture in base64
        )
    )
    return tidy(text)


def rendered_sheet(handover: Handover, ending: str, paper: str, language: str) -> bytes:
    """Return the sheet in the format of one of `SHEET_ENDINGS`.

    Raises:
        UsageError: PDF needs a library that is not there.
    """
    with speaking(language):
        if ending == ".pdf":
            return pdf(handover, paper, sheet)
        return sheet(handover).encode("utf-8")


def _drives(handover: Handover) -> Iterator[tuple[Message, str, str]]:
    old, new = handover.document.source, handover.document.target
    yield say("model"), _short(old.model), _short(new.model)
    yield say("serial"), _short(old.serial), _short(new.serial)
    yield say("size"), both_sizes(old.size_bytes), both_sizes(new.size_bytes)


def _short(name: str | None) -> str:
    return NOT_TOLD if name is None else harmless(translated(name), _LONGEST)


def _short_letterhead(shop: Letterhead) -> Letterhead:
    return Letterhead(
        None if shop.name is None else harmless(shop.name, _LONGEST),
        tuple(harmless(line, _LONGEST) for line in shop.address[:_MOST_LINES]),
        shop.logo,
    )
