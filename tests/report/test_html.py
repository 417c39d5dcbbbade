"""The page is valid, stands alone, and whatever a drive wrote is text in it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import html5lib
import pytest

from tests.report.documents import comparison, finding
from tests.report.hostile import HOSTILE, hostile_comparison
from verify.report.edition import Edition
from verify.report.handover import build_handover
from verify.report.html import html
from verify.rules.rule import Level

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    from verify.rules.comparison_document import Comparison, FindingRow

XHTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"

KNOWN = {
    XHTML: "a b bdi body br caption div figcaption figure h1 h2 h3 h4 head header html li main meta"
    " p section span strong style table tbody td th thead title tr ul",
    SVG: "circle defs desc g line path pattern polygon rect svg text title",
}
"""The elements a report is made of."""


def page(document: Comparison, edition: Edition = Edition.SHOP) -> str:
    """Return the page of a comparison."""
    return html(build_handover(document, edition))


def parsed(text: str) -> Element:
    """Return a page as the parser of the WHATWG specification reads it, which must not complain."""
    parser = html5lib.HTMLParser()
    tree: Element = parser.parse(text)
    assert parser.errors == []
    return tree


def words(element: Element) -> str:
    """Return all text of an element, white space made one."""
    return " ".join(" ".join(element.itertext()).split())


@pytest.mark.parametrize("edition", list(Edition))
def test_page_when_parsed_then_there_is_no_error(edition: Edition) -> None:
    """Neither for a plain comparison nor for a hostile one, nor for one without any finding."""
    for document in (comparison(), hostile_comparison(), comparison("sound")):
        assert parsed(page(document, edition)).find(f"{XHTML}head/{XHTML}title") is not None


def test_page_when_drives_are_hostile_then_no_element_comes_from_them() -> None:
    """The same elements are in it as in a page of harmless drives; none runs or fetches."""
    tree = parsed(page(hostile_comparison()))
    known = {f"{space}{name}" for space, names in KNOWN.items() for name in names.split()}
    assert {element.tag for element in tree.iter()} <= known
    for element in tree.iter():
        assert not [name for name in element.attrib if str(name).startswith("on")]


def test_page_when_drives_are_hostile_then_what_they_wrote_can_still_be_read() -> None:
    """Escaped, not dropped: the sign that begins an element is there as a sign."""
    text = words(parsed(page(hostile_comparison())))
    assert "<script>alert(1)</script>" in text
    assert "{{ 7 * 7 }}" in text
    assert r"photo\u202egpj.exe" in text
    assert r"nul\x00bell\x07 \x1b[31mred" in text
    assert "x" * 1000 not in text


def test_page_when_it_is_read_then_no_control_or_override_is_in_it() -> None:
    """Unicode's bidi controls (Annex 9) and C0/C1 controls but the line feed are all escaped."""
    text = page(hostile_comparison())
    assert not re.search(
        "[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u2028\u2029]", text
    )


def test_page_when_it_is_read_then_nothing_outside_is_asked_for() -> None:
    """Links lead to places of the page itself, styles import nothing, no element has a source."""
    tree = parsed(page(hostile_comparison()))
    ids = {element.get("id") for element in tree.iter()}
    for element in tree.iter():
        assert not {"src", "srcset", "data", "action", "background", "poster"} & set(element.attrib)
        for name, value in element.attrib.items():
            if "href" in str(name):
                assert value.startswith("#")
                assert value[1:] in ids
            for target in re.findall(r"url\(([^)]*)\)", value):
                assert target[1:] in ids
    style = next(tree.iter(f"{XHTML}style")).text or ""
    assert "url(" not in style
    assert "@import" not in style


def test_page_when_it_opens_then_its_policy_forbids_all_loading() -> None:
    """Content Security Policy Level 3: `default-src 'none'`, and styles of the page alone."""
    metas = parsed(page(comparison())).iter(f"{XHTML}meta")
    policies = [item.get("content") for item in metas if item.get("http-equiv")]
    assert policies == ["default-src 'none'; style-src 'unsafe-inline'"]


def test_page_when_read_from_the_top_then_it_answers_in_order() -> None:
    """The verdict, which drive is which, what was compared, what forbids wiping, what is open."""
    rows = (finding(), finding("file-extra", Level.NOTE, message="One file more."))
    text = words(parsed(page(comparison(findings=rows))))
    places = [
        text.index(part)
        for part in (
            "Shop's edition",
            "X STOP This is the sentence of stop.",
            "serial PS0012345",
            "500.11 GB (465.76 GiB)",
            "What was compared",
            "Problems found",
            "What was not examined, and why",
            "Findings, grouped by what to do",
            "To be checked off",
            "Record of the wipe",
            "How this report was made",
        )
    ]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ((), "No problems were found. What was not examined"),
        ((finding(level=Level.NOTE),), "The notes below are good to know."),
        ((finding(),), "X stop: 2 files of the old drive are not on the new one."),
    ],
)
def test_page_when_asked_what_stands_against_wiping_then_notes_do_not_but_are_told(
    rows: tuple[FindingRow, ...], said: str
) -> None:
    """Nobody takes a page with notes for one without."""
    assert said in words(parsed(page(comparison(findings=rows))))
    assert ("X stop: 2" in said) == ("X stop: 2" in words(parsed(page(comparison(findings=rows)))))


def test_page_when_it_goes_with_a_handover_then_its_parts_are_there() -> None:
    """Checklist, signatures, both manifests' digests, the rules run, what a clone never brings."""
    text = words(parsed(page(comparison())))
    for part in (
        "started from the new drive alone",
        "Technician: name",
        "Customer: name",
        "5a" * 32,
        "7e" * 32,
    ):
        assert part in text
    for part in ("table-scheme", "drivewitness 0.1.0", "shadow copies"):
        assert part in text


def test_wipe_record_when_printed_then_it_has_the_fields_that_guidance_asks_for() -> None:
    """NIST SP 800-88r1, appendix G: the fields of its sample certificate, none filled in."""
    tree = parsed(page(comparison()))
    table = next(item for item in tree.iter(f"{XHTML}table") if item.get("class") == "fill wide")
    rows = [[words(cell) for cell in row] for row in table.find(f"{XHTML}tbody") or ()]
    assert {row[1] for row in rows} == {""}
    fields = " ".join(row[0] for row in rows).lower()
    for field in (
        "manufacturer", "model", "serial", "property", "media type", "source", "before", "after",
        "kind of sanitisation", "technique", "tool and its version", "verified", "name and title",
        "date", "place", "signature",
    ):  # fmt: skip
        assert field in fields
    assert "PS0012345" in next(row[2] for row in rows if row[0].startswith("Serial"))


def test_finding_when_printed_then_all_of_it_is_there() -> None:
    """Place, name, sentence, both values, advice, consequence, and a link to its rule's page."""
    row = finding("file-size", path="/Photos/a.jpg", values=(1200, None), message="Shorter.")
    tree = parsed(page(comparison(findings=(row,))))
    box = next(item for item in tree.iter() if item.get("id") == "finding-1")
    text = words(box)
    for part in ("STOP", "partition 3", "/Photos/a.jpg", "Shorter.", "old: 1,200 ; new: -"):
        assert part in text
    assert row.advice in text
    assert "Why it matters: " in text
    assert [link.get("href") for link in box.iter(f"{XHTML}a")] == ["#rule-file-size"]


def test_levels_when_printed_then_a_word_and_a_sign_tell_them() -> None:
    """No meaning rests on colour: the page has but one colour that is no grey, that of links."""
    rows = tuple(finding(f"rule-{level}", level) for level in Level)
    text = page(comparison(findings=rows))
    for part in ("X STOP:", "? REVIEW:", "- NOTE:"):
        assert part in text
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", text.split("</style>")[0]))
    assert {c for c in colours if len(set(c[1:])) > 1} == {"#00308f"}


def test_page_when_made_twice_then_it_is_the_same() -> None:
    """Byte for byte."""
    assert page(hostile_comparison()) == page(hostile_comparison())


def test_hostile_texts_when_counted_then_the_page_holds_one_finding_each() -> None:
    """None is lost on the way, however it looks."""
    tree = parsed(page(hostile_comparison()))
    items = [item for item in tree.iter(f"{XHTML}li") if words(item).startswith("partition 3,")]
    assert len(items) == len(HOSTILE)
