"""JSON, Markdown, CSV and PDF say what the page says, each safe in its own way."""

from __future__ import annotations

import csv
import io
import json
import re
import typing
from typing import TYPE_CHECKING, Any

import pytest
from blake3 import blake3
from markdown_it import MarkdownIt
from pypdf import PdfReader

from tests.conftest import REPOSITORY
from tests.report.documents import NEW, OLD, comparison, finding
from tests.report.hostile import HOSTILE, hostile_comparison
from verify.cli.check import check
from verify.cli.compare import compare
from verify.cli.report import report
from verify.errors import ComparisonForeign, UsageError
from verify.report import pdf
from verify.report.edition import Edition
from verify.report.formats import FORMATS, TEXT_ENDINGS, beginnings, rendered
from verify.report.handover import build_handover
from verify.rules.comparison_document import LaterRow
from verify.rules.rule import Level

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.rules.comparison_document import Comparison

OWN_ELEMENTS = "h1 h2 h3 p strong ul li table thead tbody tr th td"


def text_of(document: Comparison, ending: str, edition: Edition = Edition.SHOP) -> str:
    """Return a report as text."""
    return rendered(build_handover(document, edition), ending, "a4").decode("utf-8")


def rows_of(document: Comparison) -> list[dict[str, str]]:
    """Return the findings as a reader of CSV sees them."""
    return list(csv.DictReader(io.StringIO(text_of(document, ".csv"), newline="")))


@pytest.mark.parametrize("ending", TEXT_ENDINGS)
def test_report_when_made_twice_then_it_is_the_same_and_begins_as_its_format(ending: str) -> None:
    """Byte for byte, from comparisons read apart."""
    one, other = (text_of(hostile_comparison(), ending) for _ in range(2))
    assert one == other
    assert one.encode().startswith(beginnings(ending))


ANSWERED = {
    "sound": "May the old drive be wiped? NOT YET. The machine must first start from the new drive",
    "review": "May the old drive be wiped? NOT YET. A person must first decide",
    "stop": "May the old drive be wiped? NO. It may hold something that the new drive lacks.",
}


@pytest.mark.parametrize("ending", [".html", ".md", ".pdf"])
@pytest.mark.parametrize("verdict", ANSWERED)
def test_report_when_it_asks_about_wiping_then_it_answers_as_the_screen_does(
    verdict: str, ending: str
) -> None:
    """Never by the verdict alone: SOUND under that question would read as yes."""
    shown = shown_text(comparison(verdict), ending)
    assert ANSWERED[verdict] in shown
    drive = "Old drive: Pebblestone PS-500, serial number PS0012345, 500.11 GB."
    assert shown.index(ANSWERED[verdict]) < shown.index(drive) < shown.index("Which drive is which")


@pytest.mark.parametrize("ending", [".html", ".md", ".pdf"])
def test_report_when_no_drive_was_read_then_it_does_not_ask_about_wiping(ending: str) -> None:
    """An image is no drive that could be wiped."""
    old = OLD.model_copy(update={"drive": OLD.drive.model_copy(update={"kind": "image"})})
    shown = shown_text(comparison("sound", sides=(old, NEW)), ending)
    assert "May the old drive be wiped?" not in shown
    assert "Image No drive was identified. This result is about an image. Image: old.img" in shown


@pytest.mark.parametrize("ending", [".html", ".md", ".pdf"])
@pytest.mark.parametrize("edition", list(Edition))
def test_report_when_work_is_to_be_copied_then_the_shops_edition_names_it(
    edition: Edition, ending: str
) -> None:
    """41 files: 40 by their names and the number of the rest; the customer's edition names none."""
    rows = tuple(
        LaterRow(
            partition=3,
            side="source",
            path=f"/Letters/letter {number:02d}.odt",
            what="written",
            work=True,
            size_bytes=61,
            source_modified=1_772_461_320 * 10**9,
            target_modified=None,
        )
        for number in range(41)
    )
    document = comparison("review").model_copy(update={"later": rows})
    shown = shown_text(document, ending, edition)
    of_shop = edition is Edition.SHOP
    assert ("To copy from the old drive" in shown) is of_shop
    assert ("Copy the listed files" in shown) is of_shop
    assert shown.count("/Letters/letter") == (40 if of_shop else 0)
    assert ("and 1 more, which --differences lists" in shown) is of_shop
    line = "/Letters/letter 00.odt (partition 3, 61 B, 2026-03-02 14:22 UTC)"
    assert (line in shown) is of_shop


def shown_text(document: Comparison, ending: str, edition: Edition = Edition.SHOP) -> str:
    """Return what a reader sees of a report, white space made one."""
    made = rendered(build_handover(document, edition), ending, "a4")
    if ending == ".pdf":
        text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(made)).pages)
    elif ending == ".md":
        text = re.sub(r"[#*\\]", "", made.decode())
    else:
        text = re.sub("<[^>]*>", " ", made.decode().partition("<body>")[2])
    return re.sub(r" (?=[,.])", "", " ".join(text.split()))


@pytest.mark.parametrize("command", [check, compare, report])
def test_help_when_read_then_it_names_every_format(command: Callable[..., int]) -> None:
    """`.htm` is another name of `.html`."""
    words = " ".join(
        option.help or ""
        for hint in typing.get_type_hints(command, include_extras=True).values()
        for option in getattr(hint, "__metadata__", ())
        if "--report" in (*(option.param_decls or ()), option.default)
    )
    page = (REPOSITORY / "docs/report/README.md").read_text(encoding="utf-8")
    for ending in FORMATS.keys() - {".htm"}:
        assert ending in words
        assert f"| `{ending}` |" in page


def test_comparison_when_it_tells_no_manifests_then_that_is_a_named_error() -> None:
    """A comparison of an earlier version has none."""
    document = comparison().model_copy(update={"manifests": None})
    with pytest.raises(ComparisonForeign, match="manifests"):
        build_handover(document, Edition.SHOP)


def test_json_when_read_then_it_has_the_comparisons_fields_and_the_handovers() -> None:
    """The stable names of a comparison, the edition, the manifests, the parts to fill in."""
    row = finding(path="/a.txt", values=(1, 2))
    read: dict[str, Any] = json.loads(text_of(comparison(findings=(row,)), ".json"))
    assert read["schema"] == "drivewitness.report/1"
    assert read["edition"] == "shop"
    assert read["verdict"] == "stop"
    assert {key: read["findings"][0][key] for key in ("rule", "level", "partition", "path")} == {
        "rule": "file-missing",
        "level": "stop",
        "partition": 3,
        "path": "/a.txt",
    }
    assert (read["findings"][0]["source"], read["findings"][0]["target"]) == (1, 2)
    assert read["manifest_digests"] == {"source": "5a" * 32, "target": "7e" * 32}
    assert read["evidence"]["bound"]["files_at_most"] == 2
    assert set(read["wipe_record"].values()) == {None}
    assert read["tool"]["version"] == "0.1.0"


def test_digest_when_checked_then_it_is_that_of_the_document_without_it() -> None:
    """Worked out here again: BLAKE3 of the text in which the digest is left empty."""
    text = text_of(comparison(), ".json").removesuffix("\n")
    digest = json.loads(text)["report_digest"]
    assert blake3(text.replace(digest, "").encode()).hexdigest() == digest
    for ending in (".html", ".md"):
        assert digest in text_of(comparison(), ending)


def test_csv_when_read_then_each_finding_is_one_row_that_names_the_edition() -> None:
    """As Python's reader of RFC 4180 takes it, whatever a drive wrote."""
    rows = rows_of(hostile_comparison())
    assert len(rows) == len(HOSTILE)
    assert {row["edition"] for row in rows} == {"shop"}
    assert all(None not in row for row in rows)


def test_csv_when_a_text_would_be_a_formula_then_it_is_none() -> None:
    """Spreadsheets take a cell that begins with one of `=+-@` for a formula (common practice)."""
    for row in rows_of(hostile_comparison()):
        assert not [cell for cell in row.values() if cell[:1] in {"=", "+", "-", "@"}]
        assert not re.search("[\x00-\x1f\u202e]", "".join(row.values()))


def test_csv_when_there_is_no_finding_then_the_edition_is_named_all_the_same() -> None:
    """One row that says so."""
    (row,) = rows_of(comparison("sound"))
    assert (row["edition"], row["verdict"], row["message"]) == ("shop", "sound", "no findings")


def test_markdown_when_drives_are_hostile_then_only_our_own_marks_act() -> None:
    """As a CommonMark parser with tables, struck text and HTML on renders it."""
    reader = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    made = reader.render(text_of(hostile_comparison(), ".md"))
    found = set(re.findall(r"<([a-z0-9]+)", made))
    assert found <= {*OWN_ELEMENTS.split(" ")}
    assert made.count("<h1>") == 1
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in made
    assert not re.search("[\x00-\x09\x0b-\x1f\u202a-\u202e\u2066-\u2069]", made)


def test_markdown_when_rendered_then_tables_have_their_cells() -> None:
    """No text of a drive opens a cell of its own: seven a partition, three a fact."""
    reader = MarkdownIt("commonmark").enable("table")
    made = reader.render(text_of(hostile_comparison(), ".md"))
    widths = {row.count("<td>") for row in re.findall(r"<tr>\n<td>.*?</tr>", made, re.DOTALL)}
    assert widths == {3, 4, 7}


def test_markdown_when_read_then_it_answers_in_the_pages_order() -> None:
    """The verdict first; the handover's parts behind the findings."""
    text = text_of(comparison(findings=(finding(),)), ".md")
    parts = (
        "**STOP**: This is",
        "| PS0012345 |",
        "contents of a sample",
        "### What was compared",
        "### Problems found\n\n- X stop: 2 files of the old drive",
        "### What was not examined, and why",
        "### X STOP:",
        "- [ ] ",
    )
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "## Record of the wipe" in text


def _pdf(document: Comparison, paper: str) -> Any:
    try:
        pdf.layout_library()
    except UsageError as error:
        pytest.skip(f"{error} {error.hint()}")
    made = rendered(build_handover(document, Edition.CUSTOMER), ".pdf", paper)
    assert made.startswith(beginnings(".pdf"))
    if paper == "a4":
        assert made == rendered(build_handover(document, Edition.CUSTOMER), ".pdf", paper)
    return PdfReader(io.BytesIO(made))


def test_pdf_when_read_then_it_is_tagged_and_has_title_language_and_all_findings() -> None:
    """ISO 32000: MarkInfo, StructTreeRoot and Lang in the catalogue; page numbers on each page."""
    rows = tuple(finding(f"rule-{level}", level, message=f"It is {level}.") for level in Level)
    read = _pdf(comparison(findings=rows), "a4")
    catalogue = read.trailer["/Root"]
    assert catalogue["/MarkInfo"]["/Marked"]
    assert catalogue["/Lang"] == "en"
    assert "/StructTreeRoot" in catalogue
    assert read.metadata.title == "Drive migration report: stop, customer's edition"
    pages = [page.extract_text() for page in read.pages]
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
    for row in rows:
        assert row.message in " ".join(pages)
    # ISO 216: A4 is 210 mm by 297 mm, a point is 1/72 inch.
    assert [round(float(side)) for side in read.pages[0].mediabox[2:]] == [595, 842]


def test_pdf_when_its_tags_are_read_then_pictures_and_tables_are_as_the_standard_asks() -> None:
    """ISO 32000-1, 14.8.5: figures lie on their page and have words, heading cells say of what."""
    read = _pdf(comparison(findings=(finding(),)), "a4")
    tags = [read.get_object(number) for number in (*read.xref[0], *read.xref_objStm)]
    figures = [tag for tag in tags if isinstance(tag, dict) and tag.get("/S") == "/Figure"]
    assert len(figures) == 1
    assert "old partition 4 (1.02 GB): missing" in figures[0]["/Alt"]
    left, bottom, right, top = (float(side) for side in figures[0]["/A"]["/BBox"])
    # By arithmetic: margins of 15 mm at the sides and 16 mm at the top, in points.
    assert [round(side, 2) for side in (left, right)] == [42.52, 552.76]
    assert 0 < bottom < top <= 841.89 - 45.35
    heads = [tag for tag in tags if isinstance(tag, dict) and tag.get("/S") == "/TH"]
    assert {head["/A"]["/Scope"] for head in heads} == {"/Column"}
    assert len(heads) > 10


def test_pdf_when_a_finding_is_longer_than_a_page_then_it_goes_on_behind_its_heading() -> None:
    """Nothing is cut: 200 lines of one finding, each once; the heading stands not alone."""
    rows = tuple(finding(message=f"This is line {number} of it.") for number in range(200))
    pages = [page.extract_text() for page in _pdf(comparison(findings=rows), "letter").pages]
    found = re.findall(r"This is line (\d+) of it\.", " ".join(pages))
    assert sorted(map(int, found[1:])) == list(range(200))
    (head,) = [page for page in pages if "Findings, grouped by what to do" in page]
    assert "This is line 0 of it." in head


def test_pdf_when_a_table_goes_over_the_page_then_its_head_is_there_again() -> None:
    """The rules run, all of them, are longer than a sheet."""
    base = comparison()
    rows = tuple(base.outcomes[0].model_copy(update={"rule": f"rule-{n}"}) for n in range(90))
    pages = _pdf(base.model_copy(update={"outcomes": rows}), "a4").pages
    texts = [page.extract_text() for page in pages if "rule-" in page.extract_text()]
    assert len(texts) > 1
    assert all(re.search(r"check\s*result\s*compared\s*remark", text) for text in texts)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pdf_when_names_are_long_then_nothing_lies_outside_its_margins(paper: str) -> None:
    """15 mm at the sides (42.5 points): the boxes that pypdf finds drawn."""
    pages = _pdf(hostile_comparison(), paper).pages
    places: list[float] = []

    def see(operator: Any, operands: Any, matrix: Any, _: Any) -> None:
        if operator == b"re":
            left, _, width, _ = (float(part) for part in operands)
            places.extend(matrix[0] * side + matrix[4] for side in (left, left + width))

    for page in pages:
        page.extract_text(visitor_operand_before=see)
        assert min(places) > 42.5
        assert max(places) < float(page.mediabox[2]) - 42.5
    assert len(places) > 100


def test_pdf_when_drives_are_hostile_then_nothing_in_it_acts() -> None:
    """No script, no address, no attached file; Letter is 8.5 by 11 inches (ANSI/ASME Y14.1)."""
    read = _pdf(hostile_comparison(), "letter")
    assert [round(float(side)) for side in read.pages[0].mediabox[2:]] == [612, 792]
    catalogue = read.trailer["/Root"]
    assert not {"/OpenAction", "/AA", "/AcroForm"} & set(catalogue)
    for page in read.pages:
        for annotation in page.get("/Annots", ()):
            assert "/A" not in annotation.get_object() or (
                annotation.get_object()["/A"]["/S"] == "/GoTo"
            )


def test_pdf_when_the_library_is_absent_then_wrong_usage_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """And what works without it."""

    def absent(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(pdf, "import_module", absent)
    with pytest.raises(UsageError) as told:
        pdf.layout_library()
    assert "drivewitness[pdf]" in told.value.hint()
