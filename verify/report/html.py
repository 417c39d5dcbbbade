"""The report as one HTML file: no network, no script, all text of a drive as text.

Everything that a template prints goes through `_shown`, whatever it is: it is made harmless there,
and then escaped by the engine. No template can forget it.
"""

from __future__ import annotations

from collections import Counter
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from verify.report.answer import ANSWER_WORDS
from verify.report.comparison_report import when
from verify.report.edition import EDITION_NAMES
from verify.report.handover_words import (
    DEPTHS,
    MOST_TO_COPY,
    NEVER_CLONED,
    NOTHING_FOUND,
    ONLY_NOTES,
    SIGNATURE_FIELDS,
    SIGNATURES,
    TO_COPY_TITLE,
    WIPE_INTRODUCTION,
)
from verify.report.harmless import harmless
from verify.report.picture import PICTURE_TITLE
from verify.report.places_ruler import PLACES_TITLE
from verify.report.words import ABSENT, ALL_NAMES, HEADINGS, LEVELS, MARKS
from verify.rules.rule import Level
from verify.text.language import _, spoken, translated
from verify.text.message import Message, joined, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.report.handover import Handover

SENTENCE_LONGEST = 900

_FOOT = (say("page "), say(" of "))


def html(handover: Handover) -> str:
    """Return the report as an HTML document."""
    pages = environment()
    report = handover.report
    svg = pages.get_template("picture.svg").render(picture=handover.picture, title=PICTURE_TITLE)
    places = pages.get_template("places.svg").render(places=handover.places, title=PLACES_TITLE)
    # NOTE: all are our own: a style sheet, pictures whose texts were escaped as they were made, and
    # a picture in base64.
    logo = "" if handover.shop.logo is None else handover.shop.logo.base64
    ours = {
        "css": Markup(style()),  # noqa: S704
        "svg": Markup(svg),  # noqa: S704
        "places_svg": Markup(places),  # noqa: S704
        "logo": Markup(logo),  # noqa: S704
    }
    text = pages.get_template("report.html").render(
        paper=handover,
        report=report,
        title=say(
            "Drive migration report: {verdict}, {edition}",
            verdict=LEVELS[report.verdict],
            edition=EDITION_NAMES[handover.edition],
        ),
        facts=tuple(facts(handover)),
        against=handover.against,
        drive_findings=_drive_findings(handover),
        paged={page.slug for page in handover.pages},
        marks=MARKS,
        answer_words=ANSWER_WORDS,
        to_copy_title=TO_COPY_TITLE,
        all_names=ALL_NAMES,
        most_to_copy=MOST_TO_COPY,
        absent=ABSENT,
        never_cloned=NEVER_CLONED,
        only_notes=ONLY_NOTES,
        nothing_found=NOTHING_FOUND,
        signatures=SIGNATURES,
        signature_fields=SIGNATURE_FIELDS,
        wipe_introduction=WIPE_INTRODUCTION,
        language=spoken(),
        **ours,
    )
    return tidy(text)


def facts(handover: Handover) -> Iterator[tuple[Message, str, str]]:
    """Yield what names both drives: (word, old, new)."""
    old, new = handover.report.sides
    for (word, one), (_same, other) in zip(old.facts, new.facts, strict=True):
        yield word, one, other
    yield say("identified"), *handover.identified
    document = handover.document
    yield say("what was read"), DEPTHS[document.source.depth], DEPTHS[document.target.depth]


def tidy(text: str) -> str:
    """Return a filled-in template without blank lines and spaces at the ends of lines."""
    return "\n".join(line.rstrip() for line in text.splitlines() if line.strip()) + "\n"


@cache
def environment() -> Environment:
    """Return what fills in the templates; no text of a drive passes it unharmed."""
    made = Environment(
        loader=PackageLoader("verify.report", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"_": _, "levels": LEVELS, "headings": HEADINGS, "n": "{:.1f}".format}
    made.filters |= {"moment": when, "percent": "{:.2%}".format}
    return made


def _shown(value: object) -> object:
    """Make any text harmless as it is printed; what a template made of our own passes."""
    if isinstance(value, str) and not isinstance(value, Markup):
        return harmless(translated(value), SENTENCE_LONGEST)
    return value


def style() -> str:
    """Return the style sheet of every page, with the words that stand at the foot of each."""
    text = files("verify.report").joinpath("pages/report.css").read_text(encoding="utf-8")
    for word in _FOOT:
        text = text.replace(f'"{word}"', f'"{translated(word)}"')
    return text


def _drive_findings(handover: Handover) -> str:
    counts = Counter(row.level for row in handover.document.findings if row.partition is None)
    return joined(
        say("{count} {level} ({mark})", count=counts[level], level=LEVELS[level], mark=MARKS[level])
        for level in Level
        if counts[level]
    )
