"""The picture of both drives is arithmetic on their bytes, and never asks for colour."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import html5lib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.report.documents import NEW, OLD, comparison, finding, header, partition
from verify.manifest.header import SectorRange
from verify.report.edition import Edition
from verify.report.handover import build_handover
from verify.report.html import html
from verify.report.picture import LENGTH, NARROWEST, draw, place, shared_out
from verify.rules.rule import Level
from verify.text.language import ENGLISH, LANGUAGES, speaking

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    from verify.manifest.header import Header

SVG = "{http://www.w3.org/2000/svg}"


def svg_of(sides: tuple[Header, Header] = (OLD, NEW)) -> Element:
    """Return the picture as an independent parser finds it in the page."""
    document = comparison(findings=(finding("partition-missing", partition=4),), sides=sides)
    page = html5lib.parse(html(build_handover(document, Edition.CUSTOMER)))
    found: Element = next(page.iter(f"{SVG}svg"))
    return found


def test_lengths_when_nothing_is_too_small_then_they_are_in_proportion() -> None:
    """By arithmetic: 100 for 1 + 3 parts are 25 and 75."""
    assert shared_out([1, 3], [5.0, 5.0], 100.0) == [(25.0, True), (75.0, True)]


def test_lengths_when_one_is_too_small_then_the_rest_shares_what_is_left() -> None:
    """By arithmetic: 10 of 100 are given to the small one, 90 for 2 + 7 parts are 20 and 70."""
    widths = shared_out([0, 2, 7], [10.0, 10.0, 10.0], 100.0)
    assert widths == [(10.0, False), (20.0, True), (70.0, True)]


def test_lengths_when_widening_makes_another_one_too_small_then_it_is_widened_too() -> None:
    """By arithmetic: 10 of 100 parts have 10 of 100, but 10 / 99 of 90, which is less than 10."""
    widths = shared_out([1, 10, 89], [10.0, 10.0, 10.0], 100.0)
    assert widths == [(10.0, False), (10.0, False), (80.0, True)]


@given(st.lists(st.integers(1, 1 << 62), max_size=40), st.floats(0, 2000))
def test_lengths_when_shared_out_then_none_is_lost(sizes: list[int], length: float) -> None:
    """None is under its least width, and together they are the length, or what the least need."""
    widths = [width for width, _ in shared_out(sizes, [7.0] * len(sizes), length)]
    assert all(width >= 7.0 for width in widths)
    if sizes:
        assert sum(widths) == pytest.approx(max(length, 7.0 * len(sizes)))


def test_rulers_when_drives_differ_in_size_then_both_have_one_scale() -> None:
    """By arithmetic: a drive of half the size is half as long."""
    small = NEW.drive.model_copy(update={"size_bytes": OLD.drive.size_bytes // 2})
    half = header("new.img", (partition(3, 400_000_000),)).model_copy(update={"drive": small})
    picture = draw(comparison(sides=(OLD, half)), (OLD, half))
    assert picture.old.width == pytest.approx(LENGTH, abs=2)
    assert picture.new.width == pytest.approx(LENGTH / 2, abs=2)


def test_partition_when_small_then_it_can_be_seen_and_says_that_it_was_widened() -> None:
    """100 MiB of 500 GB would be a fifth of a unit."""
    spans = {span.number: span for span in draw(comparison(), (OLD, NEW)).old.spans}
    assert spans[1].width == NARROWEST
    assert not spans[1].to_scale
    assert spans[3].to_scale


def test_place_when_a_byte_is_given_then_it_lies_in_its_share_of_the_ruler() -> None:
    """The middle byte of a partition is drawn in its middle; a byte of nothing is nowhere."""
    span = next(span for span in draw(comparison(), (OLD, NEW)).old.spans if span.number == 3)
    assert place([span], span.start_bytes + span.bytes // 2) == pytest.approx(span.middle)
    assert place([span], span.start_bytes + span.bytes) is None


def test_unreadable_sectors_when_there_are_many_then_the_picture_stays_bounded() -> None:
    """One wedge a unit of length at most, at their places."""
    ranges = tuple(SectorRange(start_lba=100_000_000 + i, sectors=1) for i in range(50_000))
    capture = OLD.capture.model_copy(update={"unreadable": ranges})
    old = OLD.model_copy(update={"capture": capture})
    picture = draw(comparison(sides=(old, NEW)), (old, NEW))
    assert len(picture.old.unreadable) == 1
    span = next(span for span in picture.old.spans if span.number == 3)
    # Arithmetic: 100,000,000 of the 900,000,000 sectors lie before it, less the 6,144 in front.
    assert picture.old.unreadable[0] == pytest.approx(span.x + span.width / 9, abs=1)


def test_bands_when_drawn_then_each_partition_has_what_it_became() -> None:
    """Kept, shrunk and gone, as the fixture was made."""
    picture = draw(comparison(), (OLD, NEW))
    told = [(band.old and band.old.number, band.became) for band in picture.bands]
    assert told == [(1, "same size"), (3, "smaller"), (4, "missing")]
    for words in ("old partition 4 (1.02 GB): missing", "(460.80 GB) is now new", "smaller"):
        assert words in picture.words


def test_marks_when_findings_sit_somewhere_then_level_and_number_are_drawn_there() -> None:
    """On the new drive where the partition is there, on the old one where it is gone."""
    rows = (
        finding(partition=3),
        finding(partition=3, level=Level.NOTE),
        finding(partition=3, level=Level.NOTE),
        finding("partition-missing", partition=4),
        finding("drive-in-use", partition=None),
    )
    picture = draw(comparison(findings=rows), (OLD, NEW))
    marks = picture.marks
    for words in ("stop findings in old partition 4: 1", "note findings in new partition 3: 2"):
        assert words in picture.words
    assert [(mark.on_old, mark.row, mark.level, mark.count) for mark in marks] == [
        (True, 0, Level.STOP, 1),
        (False, 0, Level.STOP, 1),
        (False, 1, Level.NOTE, 2),
    ]


def test_partitions_when_they_overlap_or_leave_the_drive_then_a_picture_comes_out() -> None:
    """A damaged table is drawn as far as it can be."""
    wild = header("old.img", tuple(partition(n, 1 << 60) for n in (1, 2, 3)))
    picture = draw(comparison(sides=(wild, NEW)), (wild, NEW))
    assert [span.number for span in picture.old.spans if span.number] == [1, 2, 3]
    assert picture.width < LENGTH * 2


def test_picture_when_printed_in_black_and_white_then_nothing_is_lost() -> None:
    """Every colour in it is a grey: red, green and blue are one (sRGB)."""
    svg = svg_of()
    colours = {
        value
        for element in svg.iter()
        for name, value in element.attrib.items()
        if name in {"fill", "stroke"} and value != "none"
    }
    assert colours
    for colour in colours:
        digits = colour.removeprefix("#")
        assert colour.startswith("url(#") or re.fullmatch(r"([0-9a-f])\1\1", digits), colour


_FOR_PEOPLE = {"lang", "title", "alt", "aria-label", "data-word", "content"}
"""Attributes that people read: all others are for machines."""


def elements(code: str) -> list[tuple[str, dict[str, str]]]:
    """Return the elements of the page in a language, each with what a machine reads of it."""
    wedges = OLD.capture.model_copy(
        update={"unreadable": (SectorRange(start_lba=100_000_000, sectors=1),)}
    )
    sides = OLD.model_copy(update={"capture": wedges}), NEW
    rows = (finding("partition-missing", partition=4), finding(partition=3, level=Level.NOTE))
    handover = build_handover(comparison(findings=rows, sides=sides), Edition.CUSTOMER)
    with speaking(code):
        page = html5lib.parse(html(handover))
    return [
        (str(element.tag), {k: v for k, v in element.attrib.items() if k not in _FOR_PEOPLE})
        for element in page.iter()
    ]


@pytest.mark.parametrize("code", [code for code in LANGUAGES if code != ENGLISH])
def test_pictures_when_in_another_language_then_their_geometry_is_the_same(code: str) -> None:
    """A number in SVG has a full stop in every language (SVG 2, 4.2); html5lib reads both."""
    english, other = (
        [item for item in elements(spoken) if item[0].startswith(SVG)] for spoken in (ENGLISH, code)
    )
    assert sum("." in values.get("x", "") for _, values in english) > 20
    assert other == english


@pytest.mark.parametrize("code", [code for code in LANGUAGES if code != ENGLISH])
def test_page_when_in_another_language_then_what_machines_read_is_the_same(code: str) -> None:
    """Classes, places and links are not words; only the rules' pages are in English alone."""
    known = {(tag, *pair) for tag, values in elements(ENGLISH) for pair in values.items()}
    found = {(tag, *pair) for tag, values in elements(code) for pair in values.items()}
    assert len(found) > 50
    assert found - known == set()


def test_picture_when_it_cannot_be_seen_then_words_stand_for_it() -> None:
    """It is an image with a title and a description, and these are where it says (WAI-ARIA 1.2)."""
    svg = svg_of()
    named = {element.get("id"): element.text for element in svg.iter() if element.get("id")}
    assert svg.get("role") == "img"
    assert [bool(named[name]) for name in (svg.get("aria-labelledby") or "").split()] == [True] * 2


def test_picture_when_a_partition_is_used_in_part_then_that_share_is_dark() -> None:
    """By arithmetic: a quarter used of a partition drawn w wide is dark for w / 4."""
    part = partition(3, 900_000_000)
    filled = part.filesystem
    quarter = type(filled)(kind="ntfs", size_bytes=4_000, free_bytes=3_000)
    old = header("old.img", (part.model_copy(update={"filesystem": quarter}),))
    span = next(s for s in draw(comparison(sides=(old, NEW)), (old, NEW)).old.spans if s.number)
    dark = [box for box in svg_of((old, NEW)).iter(f"{SVG}rect") if box.get("fill") == "#555"]
    assert "(460.80 GB, 75% free)" in draw(comparison(sides=(old, NEW)), (old, NEW)).words
    assert [float(box.get("width", 0)) for box in dark] == [pytest.approx(span.width / 4, abs=0.06)]
