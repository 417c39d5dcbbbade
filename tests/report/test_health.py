"""What each drive reports of its health stands in every report, and on the screens."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from pypdf import PdfReader

from tests.report.documents import NEW, OLD, comparison
from verify.after.running_screen import print_drives
from verify.platforms.health import Health, HealthAnswer
from verify.platforms.running_machine import SeenDrive
from verify.report.comparison_report import build_report
from verify.report.comparison_screen import print_report
from verify.report.drive import print_drive
from verify.report.edition import Edition
from verify.report.formats import rendered
from verify.report.handover import build_handover
from verify.report.terminal import console_for

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console

    from verify.manifest.header import Header
    from verify.rules.comparison_document import Comparison

ANSWER = HealthAnswer(
    tool_version="7.3",
    exit_status=64,
    protocol="ATA",
    passed=True,
    hours=83_425,
    start_cycles=81,
    power_cycles=79,
    temperature=26,
    reallocated=304,
    pending=0,
    offline_uncorrectable=0,
    reported_uncorrectable=1,
    crc_errors=12,
)
HIDDEN = HealthAnswer(reason="smartctl answers: /home/tomas/letters is in the way")

WORDS = {
    "en": ("passed its own check", "83,425 hours on", "26 °C", "interface errors: 12"),
    "de": (
        "eigene Prüfung bestanden",
        "83.425 Betriebsstunden",
        "26 °C",
        "Schnittstellenfehler: 12",
    ),
}


def sides() -> tuple[Header, Header]:
    """Return an old drive that answered twice, and a new one that did not."""
    old = OLD.model_copy(update={"health": Health(before=HealthAnswer(hours=1), after=ANSWER)})
    return old, NEW.model_copy(update={"health": Health(before=HIDDEN)})


def document() -> Comparison:
    """Return their comparison."""
    return comparison(sides=sides())


def text_of(ending: str, language: str, edition: Edition = Edition.SHOP) -> str:
    """Return a report as text; Markdown without its escapes, a page's lines joined."""
    made = rendered(build_handover(document(), edition), ending, "a4", language=language)
    if ending == ".pdf":
        pages = (page.extract_text() for page in PdfReader(io.BytesIO(made)).pages)
        return " ".join(" ".join(pages).split())
    text = made.decode("utf-8")
    return text.replace("\\", "") if ending == ".md" else text


@pytest.mark.parametrize("language", WORDS)
@pytest.mark.parametrize("ending", [".html", ".md", ".pdf"])
def test_report_when_drives_were_asked_then_it_says_what_they_answered(
    ending: str, language: str
) -> None:
    """The later answer; and of the other drive why nothing is known."""
    text = text_of(ending, language)
    assert [word for word in WORDS[language] if word not in text] == []
    assert ("not known: smartctl answers" if language == "en" else "nicht bekannt: ") in text


def test_json_when_drives_were_asked_then_it_has_both_answers() -> None:
    """All that was recorded, under names of the manifest's."""
    health = json.loads(text_of(".json", "en"))["health"]
    assert health["source"]["before"]["hours"] == 1
    assert health["source"]["after"]["crc_errors"] == 12
    assert health["source"]["after"]["percentage_used"] is None
    assert "smartctl answers" in health["target"]["before"]["reason"]


@pytest.mark.parametrize("ending", [".html", ".md", ".json", ".csv"])
def test_customers_edition_when_drives_were_asked_then_it_has_health_and_no_path(
    ending: str,
) -> None:
    """How the drives are is the customer's to know; a path in a reason is not reported."""
    text = text_of(ending, "en", Edition.CUSTOMER)
    assert "tomas" not in text
    assert "83" in text or ending == ".csv"


def test_report_when_no_drive_was_asked_then_it_has_no_row_of_it() -> None:
    """Images, and comparisons of older versions."""
    report = build_report(comparison(), (OLD, NEW), frozenset())
    assert "health" not in {str(word) for side in report.sides for word, _ in side.facts}


def printed(draw: Callable[[Console], None], monkeypatch: pytest.MonkeyPatch) -> str:
    """Return what is drawn on a console of 100 columns, its lines joined."""
    monkeypatch.setenv("COLUMNS", "100")
    stream = io.StringIO()
    draw(console_for(stream))
    return " ".join(stream.getvalue().split())


def test_screens_when_drives_were_asked_then_each_says_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """`check`, `show` and `drives`; missing counts are missing, never zero."""
    report = build_report(document(), sides(), frozenset())
    seen = SeenDrive(name="sda", path="/dev/sda", size_bytes=1 << 30, health=ANSWER)
    for draw in (
        lambda console: print_drive(console, sides()[0]),
        lambda console: print_drives(console, [seen]),
    ):
        text = printed(draw, monkeypatch)
        assert [word for word in WORDS["en"] if word not in text] == []
    check = printed(lambda console: print_report(console, report), monkeypatch)
    assert "83,425" in check
    bare = replace(seen, health=HealthAnswer(passed=False))
    text = printed(lambda console: print_drives(console, [bare]), monkeypatch)
    assert "FAILING" in text
    assert "interface errors" not in text


def test_names_when_they_are_hostile_then_nothing_acts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Control characters of a document are shown, not obeyed."""
    hostile = HealthAnswer(reason="smartctl answers: \x1b[31m\u202ered")
    seen = SeenDrive(name="sda", path="/dev/sda", size_bytes=512, health=hostile)
    text = printed(lambda console: print_drives(console, [seen]), monkeypatch)
    assert "\x1b" not in text
    assert "\u202e" not in text
