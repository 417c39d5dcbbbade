"""Reports in other languages: nothing of ours stays in English, nothing of a drive is changed."""

from __future__ import annotations

import re

import pytest

from tests.report.documents import comparison, finding
from verify.matching.weigh import MISSING
from verify.report.edition import Edition
from verify.report.formats import rendered
from verify.report.handover import build_handover
from verify.rules.rule import Level
from verify.text.language import VARIABLE, default_language
from verify.text.message import Message, say


def german(ending: str, *rows: tuple[Message, str], edition: Edition = Edition.SHOP) -> str:
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
    row = (say("{what} {fate}.", what=say("A file"), fate=MISSING.one), name)
    there, here = german(ending, row), rendered_english(ending, row)
    shown = name.replace('"', "&#34;") if ending == ".html" else name
    plain = re.sub(r"\\(?=[^\w\s])", "", there), re.sub(r"\\(?=[^\w\s])", "", here)
    assert plain[0].count(shown) == plain[1].count(shown) > 0


def rendered_english(ending: str, row: tuple[Message, str]) -> str:
    """Return the same report in English."""
    found = (finding("file-missing", Level.STOP, message=row[0], path=row[1]),)
    paper = build_handover(comparison(findings=found), Edition.SHOP)
    return rendered(paper, ending, "a4").decode("utf-8")


@pytest.mark.parametrize("ending", [".json", ".csv"])
def test_documents_when_another_language_is_asked_for_then_they_stay_the_same(ending: str) -> None:
    """What programs read is in English alone."""
    paper = build_handover(comparison(), Edition.CUSTOMER)
    assert rendered(paper, ending, "a4", language="de") == rendered(paper, ending, "a4")


@pytest.mark.parametrize(
    ("variables", "code"),
    [
        ({}, "en"),
        ({"LANG": "C.UTF-8"}, "en"),
        ({"LANG": "de_AT.UTF-8"}, "de"),
        ({"LANG": "de_DE.UTF-8", "LC_ALL": "en_US.UTF-8"}, "en"),
        ({"LANG": "en_US.UTF-8", "LC_MESSAGES": "de_DE"}, "de"),
        ({"LANG": "pt_BR.UTF-8"}, "en"),
        ({"LANG": "de_DE.UTF-8", "DRIVEWITNESS_LANGUAGE": "en"}, "en"),
        ({"LC_ALL": "en_GB.UTF-8", "DRIVEWITNESS_LANGUAGE": "de"}, "de"),
    ],
)
def test_language_when_none_is_asked_for_then_it_is_the_environments(
    variables: dict[str, str], code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Our own variable, then POSIX.1-2017, section 8.2: LC_ALL, then LC_MESSAGES, then LANG."""
    for name in (VARIABLE, "LC_ALL", "LC_MESSAGES", "LANG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert default_language() == code
    for told in ("de-DE", "de-AT", "en-GB", "pt-BR", "", "d"):
        alone = "de" if told.startswith("de") else "en"
        assert default_language(told) == (code if variables else alone)
