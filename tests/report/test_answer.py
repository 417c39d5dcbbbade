"""The last line of a screen: may the old drive be wiped, and which one is that."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

import pytest
from rich.console import Console

from tests.report.documents import NEW, OLD, comparison, finding
from verify.report.comparison_report import build_report
from verify.report.comparison_screen import print_report
from verify.report.terminal import console_for
from verify.rules.comparison_document import LaterRow
from verify.rules.rule import Level
from verify.table.partition_table import Table
from verify.text.language import LANGUAGES, speaking

if TYPE_CHECKING:
    from verify.manifest.header import GivenAs, Header

VERDICTS = ("sound", "review", "stop")
WIDTHS = range(60, 201)
_STACKED = {"->", "old:", "new:", "alt:", "neu:"}
"""What stands between the cells of a table that has no room to be one."""


def screen(
    verdict: str, width: int, code: str = "en", *, old: Header = OLD, new: Header = NEW
) -> str:
    """Return the whole screen of a comparison."""
    rows = (
        finding("partition-missing", partition=4, values=(OLD.table.disk_id, NEW.table.disk_id)),
        finding("file-count", Level.REVIEW, path="/Pictures of 2025/quarry.jpg", values=(2, 1)),
        finding("free-space", Level.NOTE),
    )
    stream = io.StringIO()
    console = Console(file=stream, width=width, markup=False, emoji=False, highlight=False)
    document = comparison(verdict, rows, (old, new))
    report = build_report(document, (old, new), frozenset({"raw-content"}))
    with speaking(code):
        print_report(console, report)
    return stream.getvalue()


def answer(verdict: str, code: str = "en", **drive: Any) -> str:
    """Return the last line of a comparison whose old drive is described so."""
    old = OLD.model_copy(update={"drive": OLD.drive.model_copy(update=drive)})
    return screen(verdict, 400, code, old=old).splitlines()[-1].strip()


ANSWERS = {
    ("sound", "en"): (
        "OK SOUND  May the old drive be wiped? NOT YET. The machine must first start from the"
        " new drive alone."
    ),
    ("review", "en"): (
        "? REVIEW  May the old drive be wiped? NOT YET. A person must first decide on what "
        "is listed under REVIEW and NOT EXAMINED."
    ),
    ("stop", "en"): (
        "X STOP  May the old drive be wiped? NO. It may hold something that the new drive lacks."
    ),
    ("sound", "de"): (
        "OK IN ORDNUNG  Darf das alte Laufwerk gelöscht werden? NOCH NICHT. Der Rechner muss "
        "erst vom neuen Laufwerk allein starten."
    ),
    ("review", "de"): (
        "? PRÜFEN  Darf das alte Laufwerk gelöscht werden? NOCH NICHT. Erst muss jemand über "
        "das entscheiden, was unter PRÜFEN und NICHT UNTERSUCHT steht."
    ),
    ("stop", "de"): (
        "X STOPP  Darf das alte Laufwerk gelöscht werden? NEIN. Es enthält vielleicht etwas, "
        "was dem neuen fehlt."
    ),
}
DRIVE = {
    "en": " Old drive: Pebblestone PS-500, serial number PS0012345, 500.11 GB.",
    "de": " Altes Laufwerk: Pebblestone PS-500, Seriennummer PS0012345, 500,11 GB.",
}


@pytest.mark.parametrize(("verdict", "code"), ANSWERS)
def test_screen_when_a_drive_was_compared_then_it_ends_with_the_answer(
    verdict: str, code: str
) -> None:
    """The question, yes, no or not yet, why, and which drive; never yes before it was started."""
    assert answer(verdict, code) == ANSWERS[verdict, code] + DRIVE[code]


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize("verdict", VERDICTS)
def test_answer_when_the_old_side_is_an_image_then_wiping_is_not_spoken_of(
    verdict: str, code: str
) -> None:
    """A file names no drive that could be held in a hand."""
    line = answer(verdict, code, kind="image", path="shelf/old.img")
    assert not re.search("wipe|wiping|lösch|NOT YET|NOCH NICHT", line)
    assert ("Image: " if code == "en" else "Abbild: ") + "old.img, 500" in line
    assert "shelf" not in line
    assert "wipe" not in screen(
        "sound",
        400,
        old=OLD.model_copy(update={"drive": OLD.drive.model_copy(update={"kind": "image"})}),
    )
    assert "PS0012345" not in line


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize("sides", [("partition", None), (None, "partition")])
def test_answer_when_one_partition_was_compared_then_wiping_is_not_spoken_of(
    sides: tuple[GivenAs | None, GivenAs | None], code: str
) -> None:
    """Whichever side it is: a verdict on one partition is not one on the drive."""
    old, new = (
        side.model_copy(update={"capture": side.capture.model_copy(update={"given_as": given})})
        for side, given in zip((OLD, NEW), sides, strict=True)
    )
    line = screen("sound", 400, code, old=old, new=new).splitlines()[-1].strip()
    assert not re.search("wipe|wiping|lösch|NOT YET|NOCH NICHT|PS0012345", line)
    assert ("One partition only: " if code == "en" else "Nur eine Partition: ") in line


def test_answer_when_nobody_confirmed_a_whole_drive_then_wiping_is_not_spoken_of() -> None:
    """A device without a table may be anything."""
    table = Table(scheme="none", disk_id=None, sector_bytes=512)
    line = screen("sound", 400, old=OLD.model_copy(update={"table": table})).splitlines()[-1]
    assert "wipe" not in line
    assert "nobody confirmed" in line


@pytest.mark.parametrize("level", [Level.STOP, Level.REVIEW])
def test_answer_when_the_sides_may_be_swapped_then_no_drive_is_named(level: Level) -> None:
    """The serial number of the wrong drive gets the only good one wiped."""
    stream = io.StringIO()
    document = comparison(level.value, (finding("drive-pair", level, partition=None),))
    print_report(Console(file=stream, width=400), build_report(document, (OLD, NEW), frozenset()))
    last = stream.getvalue().splitlines()[-1]
    assert "May the old drive be wiped? NO. It is in doubt which drive is the old one" in last
    assert not re.search("PS0012345|Pebblestone|ML-77|Marlstone", last)


def test_answer_when_a_drive_does_not_name_itself_then_the_line_says_so() -> None:
    """An adapter's number, and none at all, are not the drive's."""
    assert "serial number of the adapter B-1, 5" in answer(
        "stop", serial="B-1", serial_source="adapter"
    )
    line = answer("stop", serial=None, serial_source=None, model=None)
    assert line.endswith("Old drive: model not reported, serial number not reported, 500.11 GB.")


def test_answer_when_a_name_reads_like_a_word_of_ours_then_it_stays() -> None:
    """A drive may be called "stop"; the German line says so in English."""
    assert "Altes Laufwerk: stop, Seriennummer none, 500,11 GB." in answer(
        "stop", "de", model="stop", serial="none"
    )


def test_verdicts_when_seen_then_word_mark_and_colour_are_three_each() -> None:
    """Two seconds are enough; without colour, word and mark still differ."""
    seen = []
    for verdict in VERDICTS:
        stream = io.StringIO()
        console = Console(file=stream, width=400, force_terminal=True, color_system="standard")
        print_report(console, build_report(comparison(verdict), (OLD, NEW), frozenset()))
        lines = stream.getvalue().splitlines()
        badges = [re.findall("^\x1b\\[([0-9;]+)m (\\S+) (\\S+) ", lines[at]) for at in (0, -1)]
        assert badges[0] == badges[1]
        seen += badges[0]
    assert len(seen) == len(VERDICTS)
    assert all(len(set(column)) == len(VERDICTS) for column in zip(*seen, strict=True))


@pytest.mark.parametrize("code", LANGUAGES)
def test_screen_when_narrow_or_wide_then_lines_end_between_words(code: str) -> None:
    """At every width every word is whole: the words are those of a screen that has room for all."""
    whole = set(screen("stop", 1000, code).split())
    for width in WIDTHS:
        lines = screen("stop", width, code).splitlines()
        assert [line for line in lines if len(line.rstrip()) > width] == []
        words = {word for line in lines for word in line.split()}
        assert words - whole - _STACKED == set(), width


def test_screen_when_a_path_is_longer_than_many_lines_then_it_is_printed_whole() -> None:
    """Who has to copy a file finds it by its path; Windows takes paths of thousands of letters."""
    path = "".join(f"/folder{number:03d}" for number in range(150)) + "/the end.txt"
    later = LaterRow(
        partition=3,
        side="source",
        path=path,
        what="written",
        work=True,
        size_bytes=61,
        source_modified=1_772_461_320 * 10**9,
        target_modified=None,
    )
    row = finding("file-missing", path=path)
    document = comparison("stop", (row,)).model_copy(update={"later": (later,)})
    for width in (20, 80, 120):
        stream = io.StringIO()
        console = Console(file=stream, width=width)
        print_report(console, build_report(document, (OLD, NEW), frozenset()))
        letters = "".join(stream.getvalue().split())
        assert letters.count("".join(path.split())) == 2, width
        assert "(61B,2026-03-0214:22UTC)" in letters


def test_console_when_no_terminal_then_nothing_but_text_is_printed() -> None:
    """A file or a pipe gets no colour codes."""
    stream = io.StringIO()
    print_report(console_for(stream), build_report(comparison(), (OLD, NEW), frozenset()))
    assert "\x1b" not in stream.getvalue()
