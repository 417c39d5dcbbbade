"""The customer's sheet: one page, the answer, and never a file name.

Pages of a PDF are counted by pypdf, which had no part in making it.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest
from pypdf import PdfReader

from tests.report.documents import comparison, finding
from tests.report.hostile import hostile_comparison
from verify.report.edition import Edition
from verify.report.handover import build_handover
from verify.report.letterhead import Letterhead
from verify.report.sheet import rendered_sheet, sheet
from verify.rules.rule import Level

if TYPE_CHECKING:
    from verify.rules.comparison_document import Comparison

LONG = Letterhead("Reparaturwerkstatt " * 20, ("Long Street " * 20,) * 9)
KEEP = "Keep the old drive as it is. Do not wipe it"


def with_long_names(verdict: str) -> Comparison:
    """Return a comparison whose drives have names of 400 characters."""
    made = comparison(verdict)
    long = {"model": "Pebblestone " * 33, "serial": "W" * 400}
    sides = made.source.model_copy(update=long), made.target.model_copy(update=long)
    return made.model_copy(update={"source": sides[0], "target": sides[1]})


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("verdict", ["sound", "review", "stop", "hostile"])
def test_sheet_when_names_are_long_then_it_is_one_page(
    verdict: str, paper: str, language: str
) -> None:
    """The shop's, drives' and hostile names leave room for the signatures."""
    found = hostile_comparison() if verdict == "hostile" else with_long_names(verdict)
    handover = build_handover(found, Edition.CUSTOMER, shop=LONG)
    made = rendered_sheet(handover, ".pdf", paper, language)
    pages = PdfReader(io.BytesIO(made)).pages
    assert len(pages) == 1
    signature = {"en": "signature", "de": "Unterschrift"}[language]
    assert signature in pages[0].extract_text()


@pytest.mark.parametrize(("verdict", "kept"), [("sound", False), ("review", True), ("stop", True)])
def test_sheet_when_not_sound_then_it_says_that_the_old_drive_is_kept(
    verdict: str, *, kept: bool
) -> None:
    """Review and stop keep the old drive, in words of their own."""
    made = sheet(build_handover(comparison(verdict), Edition.CUSTOMER))
    assert (KEEP in made) is kept


def test_sheet_when_a_finding_names_a_file_then_the_sheet_does_not() -> None:
    """Findings are in the report, which the sheet stands beside."""
    row = finding("file-missing", Level.STOP, path="/Users/mira/tax-2024.ods")
    made = sheet(build_handover(comparison(findings=(row,)), Edition.CUSTOMER))
    assert "tax-2024" not in made


def test_sheet_when_the_report_has_file_names_then_none_is_made() -> None:
    """A sheet is only ever made of the customer's edition."""
    with pytest.raises(ValueError, match="shop"):
        sheet(build_handover(comparison(), Edition.SHOP))
