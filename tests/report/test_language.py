"""Reports in other languages: nothing of ours stays in English, nothing of a drive is changed."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import pytest
from babel.messages.pofile import read_po
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import REPOSITORY
from tests.report.documents import comparison, finding
from tests.report.sentences import sentences_in, strings_of
from verify.report.edition import Edition
from verify.report.formats import rendered
from verify.report.handover import build_handover
from verify.report.language import (
    ENGLISH,
    LANGUAGES,
    Named,
    default_language,
    say,
    speaking,
    spoken,
)
from verify.report.phrasebook import FIELD, phrasebook
from verify.report.rule_page import rule_pages
from verify.rules.rule import Level

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

OTHERS = [code for code in LANGUAGES if code != ENGLISH]

OTHER_SCREENS = frozenset(
    {"audit.py", "catalogue.py", "docs.py", "drive.py", "fit.py", "progress.py", "structures.py"}
)
"""Modules of the report that make screens which are in English alone, and so says the README."""

NOT_PRINTED = frozenset(
    {
        # What a path's habit is called, in the code alone.
        *("left out of copies", "rewritten for the new drive", "always moving"),
        *("held open while the system runs", "a person's own", "the system's or a program's"),
        # Keys, and headings of the rules' pages, which are in English.
        *("outside the extended partition", "past the end", "outside the usable range"),
        *("efi system", "What it compares", "Why it matters", "What to do"),
        *("bold underline", "bold reverse {0}", "bold {0}", "<!DOCTYPE html>"),
        # Errors, which are told in English.
        *("it is longer than any comparison", "its schema is not {0}", "it is no JSON document"),
        *("it is no ordinary file", "it does not begin as one", "it cannot be read"),
        *("the comparison", "it does not tell its manifests"),
        "PDF needs a library that is not there.",
        "Install drivewitness[pdf] and the system's Pango; or write HTML and print that.",
        # No words: a key, signs around a digest or a value, a style sheet, file names.
        *("drivewitness 2025-11 names in a report", "<name {0}>", "- drivewitness {0}; {1}"),
        *("@page { size: {0} }", "languages/{0}.po"),
        # Templates whose every filling is an entry of its own.
        *("manifest of the {0} drive (BLAKE3):", "{0} partition {1} ({2})"),
    }
)


@cache
def catalogue(code: str) -> Catalog:
    """Return a catalogue as it is shipped."""
    with files("verify.report").joinpath(f"languages/{code}.po").open("rb") as file:
        return read_po(file, locale=code, abort_invalid=True)


@pytest.mark.parametrize("code", OTHERS)
def test_catalogue_when_read_then_every_entry_is_done_and_has_the_same_fields(code: str) -> None:
    """None is fuzzy or empty."""
    for message in catalogue(code):
        if not message.id:
            continue
        here, there = str(message.id), str(message.string)
        assert there, here
        assert not message.fuzzy, here
        assert sorted(FIELD.findall(here)) == sorted(FIELD.findall(there)), here
        assert here[:1].isspace() == there[:1].isspace(), here


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("folder", ["rules", "report"])
def test_catalogue_when_held_against_the_source_then_no_sentence_lacks(
    code: str, folder: str
) -> None:
    """Every string of several words in the rules and the report, taken from their syntax."""
    known = {str(message.id) for message in catalogue(code)}
    said = set(sentences_in(folder, without=OTHER_SCREENS))
    names = {text for text in said if text.startswith(("/", "(?"))}
    assert len(said) > 100
    assert said - known - NOT_PRINTED - names == set()


@pytest.mark.parametrize("code", OTHERS)
def test_catalogue_when_held_against_the_rules_then_why_each_matters_is_there(code: str) -> None:
    """The first paragraph of each page on it, which every finding is told with."""
    known = {str(message.id) for message in catalogue(code)}
    assert [slug for slug, page in rule_pages().items() if page.why not in known] == []


@pytest.mark.parametrize("code", OTHERS)
def test_catalogue_when_held_against_the_source_then_no_entry_is_stale(code: str) -> None:
    """Each of its words still stands in the source or in a page."""
    strings = {text for path in (REPOSITORY / "verify").rglob("*.py") for text in strings_of(path)}
    pages = [path.read_text() for path in (REPOSITORY / "verify/report/pages").iterdir()]
    whys = [page.why for page in rule_pages().values()]
    there = "\n".join([*strings, *pages, *whys]).lower()
    stale = [
        str(message.id)
        for message in catalogue(code)
        for word in re.findall(r"[A-Za-z]{3,}", FIELD.sub(" ", str(message.id)))
        if word.lower() not in there
    ]
    assert stale == []


@given(st.data())
def test_sentence_when_its_fields_are_filled_then_it_is_recognised(data: st.DataObject) -> None:
    """Whatever single words stand in the fields, nothing of the sentence stays in English."""
    book = phrasebook("de")
    rows = [here for here in book.texts if FIELD.search(here) and len(FIELD.sub("", here)) > 12]
    here = data.draw(st.sampled_from(rows))
    values = data.draw(
        st.fixed_dictionaries(
            {name: st.text("QXZ789", min_size=3, max_size=6) for name in FIELD.findall(here)}
        )
    )
    text = FIELD.sub(lambda found: values[found[1]], here)
    said = book.say(text)
    assert book.knows(text)
    assert all(value in said for value in values.values())


def german(ending: str, *rows: tuple[str, str], edition: Edition = Edition.SHOP) -> str:
    """Return the German report of a comparison with findings of these (message, path)."""
    found = tuple(finding("file-missing", Level.STOP, message=said, path=at) for said, at in rows)
    paper = build_handover(comparison(findings=found), edition)
    return rendered(paper, ending, "a4", language="de").decode("utf-8")


def test_page_when_german_then_it_says_so() -> None:
    """The language of the page (HTML), and of its foot in print."""
    text = german(".html")
    assert '<html lang="de">' in text
    assert '"Seite " counter(page) " von "' in text


HOSTILE_NAMES = ["/gone", "/a, gone, and none", '/"files"', "/x; not told", "/1,234.50 kB", "/{0}"]


@pytest.mark.parametrize("ending", [".html", ".md"])
@pytest.mark.parametrize("number", range(len(HOSTILE_NAMES)))
def test_names_when_they_read_like_our_words_then_they_stay_as_they_are(
    ending: str, number: int
) -> None:
    """A file may be called what a sentence of ours says."""
    name = HOSTILE_NAMES[number]
    row = ("A file of the old drive is missing on the new one.", name)
    there, here = german(ending, row), rendered_english(ending, row)
    shown = name.replace('"', "&#34;") if ending == ".html" else name
    plain = re.sub(r"\\(?=[^\w\s])", "", there), re.sub(r"\\(?=[^\w\s])", "", here)
    assert plain[0].count(shown) == plain[1].count(shown) > 0


def rendered_english(ending: str, row: tuple[str, str]) -> str:
    """Return the same report in English."""
    found = (finding("file-missing", Level.STOP, message=row[0], path=row[1]),)
    paper = build_handover(comparison(findings=found), Edition.SHOP)
    return rendered(paper, ending, "a4").decode("utf-8")


@pytest.mark.parametrize("ending", [".json", ".csv"])
def test_documents_when_another_language_is_asked_for_then_they_stay_the_same(ending: str) -> None:
    """What programs read is in English alone."""
    paper = build_handover(comparison(), Edition.CUSTOMER)
    assert rendered(paper, ending, "a4", language="de") == rendered(paper, ending, "a4")


def test_words_when_english_is_spoken_then_nothing_is_looked_up() -> None:
    """Outside the context, and for names, a text is what it was."""
    assert spoken() == ENGLISH
    assert say("not told") == "not told"
    with speaking("de"):
        assert say("not told") == "nicht genannt"
        assert say(say("not told")) == "nicht genannt"
        assert say(Named("not told")) == "not told"
        assert say("nobody ever wrote this down") == "nobody ever wrote this down"
    assert say("not told") == "not told"


@pytest.mark.parametrize(
    ("here", "there"),
    [
        ("1,234,567", "1.234.567"),
        ("500.11 GB (465.76 GiB)", "500,11 GB (465,76 GiB)"),
        ("2025-11-03", "03.11.2025"),
        ("2025-11-03 09:05 UTC, depth full", "03.11.2025, 09:05 UTC, Tiefe full"),
        ("2025-13-45", "2025-13-45"),
        ("5B0C7D1E-4A62-4F0B-9C35-0D8E62A1F701", "5B0C7D1E-4A62-4F0B-9C35-0D8E62A1F701"),
        ("12 finding(s) to decide on", "12 Befund(e) zu entscheiden"),
    ],
)
def test_values_when_german_then_numbers_and_dates_follow_the_locale(here: str, there: str) -> None:
    """Unicode CLDR, locale `de`: comma, full stop, day first."""
    with speaking("de"):
        assert say(here) == there


@pytest.mark.parametrize(
    ("variables", "code"),
    [
        ({}, "en"),
        ({"LANG": "C.UTF-8"}, "en"),
        ({"LANG": "de_AT.UTF-8"}, "de"),
        ({"LANG": "de_DE.UTF-8", "LC_ALL": "en_US.UTF-8"}, "en"),
        ({"LANG": "en_US.UTF-8", "LC_MESSAGES": "de_DE"}, "de"),
        ({"LANG": "pt_BR.UTF-8"}, "en"),
    ],
)
def test_language_when_none_is_asked_for_then_it_is_the_environments(
    variables: dict[str, str], code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX.1-2017, section 8.2: LC_ALL, then LC_MESSAGES, then LANG."""
    for name in ("LC_ALL", "LC_MESSAGES", "LANG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert default_language() == code
