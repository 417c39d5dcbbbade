"""Where it lies: boxes and shares are arithmetic on sectors, and words stand beside them."""

from __future__ import annotations

import html5lib
import pytest

from tests.report.documents import NEW, OLD, comparison
from verify.manifest.header import Owner, SectorRange
from verify.report.edition import Edition
from verify.report.handover import build_handover
from verify.report.html import html
from verify.report.markdown import markdown
from verify.report.picture import LENGTH, draw
from verify.report.places_ruler import NARROWEST, PlacePicture, draw_places
from verify.rules.comparison_document import Comparison, PlacesRow

SVG = "{http://www.w3.org/2000/svg}"

# Partition 3 of the old drive has 900,000,000 sectors and begins at 6,144 (tests/report/documents).
FIRST, SECTORS = 6_144, 900_000_000


def placed(
    unreadable: tuple[SectorRange, ...] = (),
    places: tuple[PlacesRow, ...] = (),
    owners: tuple[Owner, ...] = (),
) -> Comparison:
    """Return a comparison whose old drive lost these sectors, and whose files lie there."""
    capture = OLD.capture.model_copy(update={"unreadable": unreadable, "owners": owners})
    old = OLD.model_copy(update={"capture": capture})
    return comparison(sides=(old, NEW)).model_copy(update={"places": places})


def drawn(document: Comparison) -> PlacePicture:
    """Return the picture of the places of a comparison."""
    assert document.manifests is not None
    sides = document.manifests.source.header, document.manifests.target.header
    return draw_places(document, sides, draw(document, sides))


def row(what: str = "missing", side: str = "source", *ranges: SectorRange) -> PlacesRow:
    """Return files of partition 3 that lie in ranges."""
    return PlacesRow(
        side=side, partition=3, what=what, files=5, bytes=9_000, placed=4, ranges=ranges
    )


def test_places_when_there_are_none_then_the_page_has_no_such_part() -> None:
    """Neither a picture nor a heading without anything under it."""
    assert drawn(placed()) == PlacePicture((), (), drawn(placed()).width)
    paper = build_handover(placed(), Edition.CUSTOMER)
    assert "Where on the drives" not in html(paper)
    assert "Where on the drives" not in markdown(paper)


def test_boxes_when_drawn_then_they_lie_in_their_share_of_the_partition() -> None:
    """By arithmetic: the second tenth of the partition, in its place on the ruler above."""
    tenth = SectorRange(start_lba=FIRST + SECTORS // 10, sectors=SECTORS // 10)
    (strip,) = drawn(placed(places=(row("missing", "source", tenth),))).strips
    span = next(span for span in strip.ruler.spans if span.number == 3)
    (box,) = strip.lanes[0].boxes
    assert box[0] == pytest.approx(span.x + span.width / 10, abs=0.01)
    assert box[1] == pytest.approx(span.width / 10, abs=0.01)
    assert (strip.word, strip.lanes[0].pattern) == ("OLD", "missing")


def test_boxes_when_small_or_many_then_they_can_be_seen_and_stay_few() -> None:
    """One sector of 900 million is drawn as wide as can be seen; 50,000 never more than fit."""
    one = SectorRange(start_lba=FIRST + 500, sectors=1)
    (strip,) = drawn(placed((one,))).strips
    assert [width for _, width in strip.lanes[0].boxes] == [NARROWEST]
    many = tuple(SectorRange(start_lba=FIRST + 18_000 * i, sectors=1) for i in range(50_000))
    (strip,) = drawn(placed(many)).strips
    assert 1 <= len(strip.lanes[0].boxes) <= LENGTH / NARROWEST
    ends = [x + width for x, width in strip.lanes[0].boxes]
    assert all(end < x for end, (x, _) in zip(ends, strip.lanes[0].boxes[1:], strict=False))


def test_words_when_sectors_are_lost_then_they_say_how_many_whose_and_where() -> None:
    """By arithmetic: 64 sectors of 512 bytes are 32.77 kB; 90 of 900 million are 10 %."""
    lost = (
        SectorRange(start_lba=FIRST + SECTORS // 10, sectors=32),
        SectorRange(start_lba=FIRST + SECTORS // 2, sectors=32),
        SectorRange(start_lba=960_000_000, sectors=8),
    )
    owners = tuple(
        Owner(partition=3, start_lba=FIRST, sectors=1, what=what, name=name)
        for what, name in (("file", "/Users/mira/a b.jpg"), ("file", "/c"), ("free", None))
    )
    inside, outside = drawn(placed(lost, owners=owners)).lines
    assert (inside.drive, inside.what, inside.partition) == ("old", "could not be read", "3")
    assert inside.amount == "sectors: 64 (32.77 kB), of files (2), free space"
    assert inside.where == "between 10.0% and 50.0% of the partition"
    assert (outside.partition, outside.where) == ("none", "at 491.52 GB of the drive")


def test_words_when_files_are_placed_then_those_without_a_place_are_counted() -> None:
    """Small files lie inside the file table, and files of FAT at no place that is known."""
    some = row("changed", "target", SectorRange(start_lba=FIRST, sectors=8))
    (line,) = drawn(placed(places=(some,))).lines
    assert (line.drive, line.what) == ("new", "files that differ in contents or size")
    assert line.amount == "files: 5 (9.00 kB); the place of 1 of them is not known"
    (line,) = drawn(placed(places=(row(),))).lines
    assert line.where == "place not known"


def test_picture_when_printed_then_greys_patterns_and_words_tell_all_of_it() -> None:
    """Three sorts, three fillings without colour; a title and a description (WAI-ARIA 1.2)."""
    here = SectorRange(start_lba=FIRST + 300_000, sectors=900)
    document = placed((here,), (row("missing", "source", here), row("changed", "source", here)))
    paper = build_handover(document, Edition.CUSTOMER)
    page = html5lib.parse(html(paper))
    svg = list(page.iter(f"{SVG}svg"))[1]
    boxes = [box.get("fill") for box in svg.iter(f"{SVG}rect") if box.get("height") == "14"]
    assert boxes == ["#000", "#fff", "url(#striped)"]
    named = {item.get("id"): item.text for item in svg.iter() if item.get("id")}
    assert [bool(named[one]) for one in (svg.get("aria-labelledby") or "").split()] == [True] * 2
    assert "could not be read, partition 3" in (named["places-words"] or "")
    for words in ("sectors: 900", "files: 5"):
        assert words in markdown(paper)
    _, top, _, height = (float(part) for part in (svg.get("viewBox") or "").split())
    lowest = max(
        float(box.get("y", 0)) + float(box.get("height", 0)) for box in svg.iter(f"{SVG}rect")
    )
    assert top + height - 20 <= lowest <= top + height
