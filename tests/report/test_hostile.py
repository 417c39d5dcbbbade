"""A hostile text in every field of a comparison, in every format: it is text and no more."""

from __future__ import annotations

import csv
import io
import json
import re
import time
import unicodedata
from typing import TYPE_CHECKING, Any, TypeVar

import html5lib
import pytest
from markdown_it import MarkdownIt
from pydantic import BaseModel
from pypdf import PdfReader

from tests.report.documents import NEW, OLD, comparison, finding
from tests.report.hostile import ACTING, HOSTILE
from tests.report.test_html import KNOWN
from tests.report.test_written_formats import OWN_ELEMENTS
from verify.manifest.header import Owner, SectorRange, UnreadItem
from verify.report.comparison_report import build_report
from verify.report.comparison_screen import print_report
from verify.report.drive import print_drive
from verify.report.edition import Edition
from verify.report.formats import TEXT_ENDINGS, rendered
from verify.report.handover import build_handover
from verify.report.terminal import console_for
from verify.rules.comparison_document import Comparison, PlacesRow
from verify.rules.rule import Level

if TYPE_CHECKING:
    from collections.abc import Iterator

T = TypeVar("T", bound=BaseModel)

CHOSEN = {"schema", "level", "outcome", "depth", "kind", "verdict", "side", "scheme", "what"}
CHOSEN |= {"scope", "given_as", "by"}
"""Fields whose values are ours: one of a few words."""

TEXTS = (
    *HOSTILE,
    "\uff1d1+1",
    "name;=1+1",
    "\udcff\ud800",
    "a\u0301" * 9,
    " ",
    "-",
    "..",
    "/",
    "%p%s{0}",
)


def everywhere(document: T, text: str) -> T:
    """Return a document with that text in every field that a drive, a system or a person fills."""
    replaced = _replaced(document.model_dump(mode="python", by_alias=True), text)
    return type(document).model_validate(replaced)


def _replaced(value: Any, text: str, name: str = "") -> Any:
    if isinstance(value, dict):
        return {key: _replaced(item, text, key) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_replaced(item, text, name) for item in value]
    return text if isinstance(value, str) and name not in CHOSEN else value


def full() -> Comparison:
    """Return a comparison in which every list has something, and every field is filled."""
    capture = OLD.capture.model_copy(
        update={
            "unreadable": (SectorRange(start_lba=9_000_000, sectors=9),),
            "owners": (
                Owner(partition=3, start_lba=9_000_000, sectors=9, what="file", name="/a"),
                Owner(partition=3, start_lba=9_000_000, sectors=9, what="structure", name="MFT"),
            ),
            "name_salt": "5a" * 16,
        }
    )
    drive = OLD.drive.model_copy(
        update={
            "kind": "device",
            "wwn": "5000c500a1b2c3d4",
            "bus": "usb",
            "serial_source": "drive",
            "mounted": ("/mnt",),
        }
    )
    unread = (UnreadItem(what="listing", reason="/a: no", partition=3),)
    old = OLD.model_copy(update={"capture": capture, "drive": drive, "unread": unread})
    rows = [finding("file-missing", level, path="/a", values=("1", "2")) for level in Level]
    lies = PlacesRow(
        side="source", partition=3, what="missing", files=1, bytes=1, placed=1,
        ranges=(SectorRange(start_lba=9_000_000, sectors=9),),
    )  # fmt: skip
    made = comparison(findings=(*rows, finding(partition=None)), sides=(old, NEW))
    return made.model_copy(update={"places": (lies,)})


def active(text: str) -> set[str]:
    """Return what acts in a text by Unicode's categories."""
    return {one for one in text if unicodedata.category(one) in ACTING} - {"\n"}


@pytest.fixture(params=range(len(TEXTS)))
def hostile(request: pytest.FixtureRequest) -> Comparison:
    """A comparison full of one hostile text."""
    return everywhere(full(), TEXTS[request.param])


@pytest.mark.parametrize("edition", list(Edition))
def test_formats_when_a_text_is_everywhere_then_it_acts_in_none(
    hostile: Comparison, edition: Edition
) -> None:
    """HTML by the WHATWG parser, Markdown by a CommonMark one, JSON and CSV by Python's readers."""
    handover = build_handover(hostile, edition)
    made = {ending: rendered(handover, ending, "a4").decode("utf-8") for ending in TEXT_ENDINGS}
    for ending, text in made.items():
        assert active(text.replace("\r\n", "\n") if ending == ".csv" else text) == set(), ending
    _hold_html(made[".html"])
    assert json.loads(made[".json"])["edition"] == edition.value
    rendering = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    tags = set(re.findall(r"<([a-z0-9]+)", rendering.render(made[".md"])))
    assert tags <= set(OWN_ELEMENTS.split(" "))
    for row in csv.reader(io.StringIO(made[".csv"], newline="")):
        for cell in row:
            # Common practice: a spreadsheet takes these for formulas, also behind a semicolon,
            # which parts the cells in many countries, and in their full width.
            assert not re.search(r"(^|;)\s*[=+@\uff1d\uff0b\uff20\uff0d-]", cell)


def _hold_html(text: str) -> None:
    parser = html5lib.HTMLParser()
    tree = parser.parse(text)
    assert parser.errors == []
    known = {f"{space}{name}" for space, names in KNOWN.items() for name in names.split()}
    assert {element.tag for element in tree.iter()} <= known
    for element in tree.iter():
        for name, value in element.attrib.items():
            assert not str(name).startswith("on")
            assert "href" not in str(name) or value.startswith("#")


def test_terminal_when_a_text_is_everywhere_then_it_acts_in_no_view(
    hostile: Comparison, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The report and the view of a drive: as many lines as they have, printable signs alone."""
    monkeypatch.setenv("COLUMNS", "100")
    assert hostile.manifests is not None
    sides = hostile.manifests.source.header, hostile.manifests.target.header
    paper = io.StringIO()
    print_report(console_for(paper), build_report(hostile, sides, frozenset()))
    print_drive(console_for(paper), sides[0])
    assert active(paper.getvalue()) == set()
    paper.getvalue().encode("utf-8")


@pytest.mark.parametrize("text", [" ".join(HOSTILE[:-1]), "x" * 10_000, "/\u05d0" * 300])
def test_pdf_when_a_text_is_everywhere_then_it_acts_in_none(text: str) -> None:
    """No action but jumps inside, no script, no file; and it is made in seconds, not minutes."""
    began = time.process_time()
    made = rendered(build_handover(everywhere(full(), text), Edition.SHOP), ".pdf", "a4")
    assert time.process_time() - began < 30
    read = PdfReader(io.BytesIO(made))
    objects = [read.get_object(number) for number in (*read.xref[0], *read.xref_objStm)]
    for item in _dictionaries(objects):
        assert item.get("/S") not in {"/JavaScript", "/URI", "/Launch", "/GoToR", "/SubmitForm"}
        assert not {"/JS", "/AA", "/OpenAction", "/EmbeddedFiles", "/AcroForm"} & set(item)
    root: Any = read.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert 3 < len(read.pages) < 30


def _dictionaries(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
        for item in value.values():
            yield from _dictionaries(item)
    elif isinstance(value, list):
        for item in value:
            yield from _dictionaries(item)
