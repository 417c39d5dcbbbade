"""The page in a real browser (Chromium, without a network): it asks for nothing, and is readable.

Rules of accessibility are those of axe-core (Deque), a program of its own.
"""

from __future__ import annotations

import io
import re
import shutil
import unicodedata
from typing import TYPE_CHECKING

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright
from pypdf import PdfReader

from tests.audit.test_audit import result
from tests.report.documents import NEW, OLD, comparison, finding
from tests.report.hostile import HOSTILE, hostile_comparison
from verify.audit.audit_results import audit_document
from verify.manifest.header import SectorRange
from verify.report.audit import audit_html
from verify.report.edition import Edition
from verify.report.handover import build_handover
from verify.report.html import html
from verify.report.sheet import sheet
from verify.rules.comparison_document import PlacesRow
from verify.rules.rule import Level

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from verify.rules.comparison_document import Comparison

pytestmark = pytest.mark.tools("chromium")

WIDTHS = (360, 1400)
"""A small telephone, and a desk's screen: CSS pixels."""

# Words of two elements that lie on each other cannot be read. Compared are the lines of text as
# the browser laid them out, each against all others; two that only touch share under 2 pixels.
OVERLAPS = """() => {
  const lines = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const holder = node.parentElement;
    const unseen = holder.closest('title, desc, style, thead, [stroke="#fff"]');
    if (!node.data.trim() || unseen) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const box of range.getClientRects())
      if (box.width > 1) lines.push([box, node.data.trim()]);
  }
  const bad = [];
  for (let i = 0; i < lines.length; i++)
    for (let j = i + 1; j < lines.length; j++) {
      const [a, b] = [lines[i][0], lines[j][0]];
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (wide > 2 && high > Math.min(a.height, b.height) / 2) bad.push([lines[i][1], lines[j][1]]);
    }
  return bad;
}"""

# What is wider than the screen must lie in a box that can be scrolled by itself.
TOO_WIDE = """() => [...document.querySelectorAll('body *')]
  .filter(item => !item.closest('.scroll, thead'))
  .filter(item => item.getBoundingClientRect().right > innerWidth + 1)
  .map(item => item.outerHTML.slice(0, 90))"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium, with nobody at it."""
    with sync_playwright() as driver:
        made = driver.chromium.launch(executable_path=shutil.which("chromium"))
        yield made
        made.close()


def long_comparison() -> Comparison:
    """Return a comparison with many findings, sectors lost on both drives, and 60 more."""
    capture = OLD.capture.model_copy(
        update={"unreadable": (SectorRange(start_lba=100_000_000, sectors=64),)}
    )
    old = OLD.model_copy(update={"capture": capture})
    rows = tuple(
        finding(f"rule-{level}", level, message=f"It is {level} {number}.", path=f"/a/{number}.b")
        for level in Level
        for number in range(20)
    )
    ranges = (SectorRange(start_lba=500_000_000, sectors=900_000),)
    lies = PlacesRow(
        side="source", partition=3, what="missing", files=9, bytes=9, placed=9, ranges=ranges
    )
    made = comparison(findings=(*rows, finding("drive-unreadable")), sides=(old, NEW))
    return made.model_copy(update={"places": (lies,)})


PAGES = {
    "many": lambda: html(build_handover(long_comparison(), Edition.CUSTOMER)),
    "hostile": lambda: html(build_handover(hostile_comparison(), Edition.SHOP)),
    "sound": lambda: html(build_handover(comparison("sound"), Edition.CUSTOMER)),
    "sheet": lambda: sheet(build_handover(long_comparison(), Edition.CUSTOMER)),
    "hostile-sheet": lambda: sheet(build_handover(hostile_comparison(), Edition.CUSTOMER)),
    "audit": lambda: audit_html(audit_document(result([("Bell & Sons", 60, 40, 10)], 0.95))),
}


@pytest.fixture(params=sorted(PAGES))
def page(request: pytest.FixtureRequest, browser: Browser, tmp_path: Path) -> Iterator[Page]:
    """A page as it is opened from a folder, and every word that the browser says of it."""
    file = tmp_path / "report.html"
    file.write_text(PAGES[request.param](), encoding="utf-8")
    context = browser.new_context(offline=True)
    opened = context.new_page()
    heard: list[str] = []
    opened.on("request", lambda asked: heard.append(f"asked for {asked.url}"))
    opened.on("console", lambda said: heard.append(f"said {said.text}"))
    opened.on("pageerror", lambda error: heard.append(f"failed {error}"))
    opened.on("dialog", lambda asked: heard.append(f"opened a dialog {asked.message}"))
    opened.goto(file.as_uri())
    yield opened
    context.close()
    assert heard == [f"asked for {file.as_uri()}"]


@pytest.mark.parametrize("width", WIDTHS)
def test_page_when_the_screen_is_small_or_wide_then_all_of_it_can_be_read(
    page: Page, width: int
) -> None:
    """Nothing is wider than the screen but the picture, which scrolls; no words lie on others."""
    page.set_viewport_size({"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(TOO_WIDE) == []
    assert page.evaluate(OVERLAPS) == []


@pytest.mark.parametrize("width", WIDTHS)
def test_page_when_audited_then_no_rule_of_accessibility_is_violated(
    page: Page, width: int
) -> None:
    """Nor left open, but for the contrast of words over drawn shapes, which it cannot see."""
    page.set_viewport_size({"width": width, "height": 800})
    found = Axe().run(page).response
    assert [(rule["id"], rule["nodes"][0]["html"]) for rule in found["violations"]] == []
    assert {rule["id"] for rule in found["incomplete"]} <= {"color-contrast"}
    for rule in found["incomplete"]:
        for node in rule["nodes"]:
            assert re.match("<(text|tspan)", node["html"]), node["html"]
    assert len(found["passes"]) > 20


def test_page_when_the_browser_prints_it_then_every_finding_is_on_paper(
    page: Page, request: pytest.FixtureRequest
) -> None:
    """On A4, as pypdf reads it: its sentence, or for a hostile one the part that no sign breaks."""
    text = squeezed(page.pdf(format="A4", prefer_css_page_size=True))
    if request.node.callspec.params["page"] == "many":
        for row in long_comparison().findings:
            assert squeezed(row.message) in text
    if request.node.callspec.params["page"] == "hostile":
        assert text.count(squeezed("is missing.")) >= len(HOSTILE)
        assert squeezed("<script>alert(1)</script> is missing.") in text
    if request.node.callspec.params["page"] in {"many", "hostile", "sound"}:
        assert squeezed("Record of the wipe") in text


def squeezed(paper: bytes | str) -> str:
    """Return text without white space and ligatures: of a PDF a reader has to guess both."""
    if isinstance(paper, bytes):
        paper = "".join(page.extract_text() for page in PdfReader(io.BytesIO(paper)).pages)
    return re.sub(r"\s+", "", unicodedata.normalize("NFKC", paper))
