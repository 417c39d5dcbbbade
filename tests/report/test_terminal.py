"""The terminal's view of a comparison says all of it, plainly, and lets nothing act."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest

from tests.report.documents import NEW, OLD, comparison, finding, header, partition
from verify.report.comparison_report import build_report
from verify.report.comparison_screen import print_report
from verify.report.terminal import console_for
from verify.rules.rule import Level

if TYPE_CHECKING:
    from verify.manifest.header import Header
    from verify.rules.comparison_document import Comparison


def shown(
    document: Comparison,
    monkeypatch: pytest.MonkeyPatch,
    width: int = 80,
    sides: tuple[Header, Header] = (OLD, NEW),
) -> str:
    """Return what is printed of a comparison on a console of that width."""
    monkeypatch.setenv("COLUMNS", str(width))
    stream = io.StringIO()
    report = build_report(document, sides, frozenset({"raw-content"}))
    print_report(console_for(stream), report)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines())


@pytest.mark.parametrize("verdict", ["sound", "review", "stop"])
def test_report_when_printed_then_the_verdict_and_its_sentence_stand_first(
    verdict: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first line answers the question; nobody has to scroll for it."""
    first = shown(comparison(verdict), monkeypatch).splitlines()[0]
    mark = {"sound": "OK", "review": "?", "stop": "X"}[verdict]
    assert first == f" {mark} {verdict.upper()}  This is the sentence of {verdict}."


def test_report_when_printed_then_both_drives_stand_side_by_side(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Path, model, serial, both kinds of size, scheme and a whole GUID fit twice into 80."""
    lines = shown(comparison(), monkeypatch).splitlines()
    sizes = [line for line in lines if line.startswith("size ")]
    # Arithmetic: 500,107,862,016 / 10^9 = 500.11, / 2^30 = 465.76; 480,103,981,056: 480.10, 447.13.
    assert sizes == ["size 500.11 GB (465.76 GiB)              size 480.10 GB (447.13 GiB)"]
    assert f"id {OLD.table.disk_id}  id {NEW.table.disk_id}" in lines
    assert any("old.img" in line and "new.img" in line for line in lines)


def test_report_when_partitions_changed_then_each_line_says_what_it_became(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Kept, shrunk and gone are words, and a partition matched by place alone says so."""
    document = comparison(findings=(finding("partition-missing", partition=4),))
    table = shown(document, monkeypatch, 140).partition("WHAT WAS READ")[0]
    line = {
        number: row for row in table.splitlines() for number in "134" if row[:3].strip() == number
    }
    assert "same size" in line["1"]
    # Arithmetic: 450,000,000 sectors of 512 bytes = 230.4 GB fewer.
    assert "230.40 GB smaller, matched by its place" in line["3"]
    assert "missing" in line["4"]
    assert line["4"].rstrip().endswith("stop")


def test_report_when_findings_have_levels_then_the_heaviest_group_stands_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Groups run stop, review, note, each with a mark and a word of its own."""
    rows = tuple(
        finding(f"rule-{level}", level) for level in (Level.NOTE, Level.STOP, Level.REVIEW)
    )
    text = shown(comparison(findings=rows), monkeypatch)
    places = [text.index(words) for words in ("X rule-stop", "? rule-review", "- rule-note")]
    assert places == sorted(places)


def test_report_when_a_finding_has_values_then_all_of_it_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What, where, both values and what to do."""
    row = finding("file-count", values=(1200, 1198), path="/Photos")
    text = shown(comparison(findings=(row,)), monkeypatch)
    for words in ("partition 3, /Photos", "old: 1,200   new: 1,198", row.message, row.advice):
        assert words in text


def test_report_when_values_are_long_then_they_stand_below_each_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two GUIDs are compared by eye: each starts in the same column."""
    guids = ("EBD0A0A2-B9E5-4433-87C0-68B6B72699C7", "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC")
    lines = shown(comparison(findings=(finding(values=guids),)), monkeypatch).splitlines()
    assert [line for line in lines if "old: " in line or "new: " in line] == [
        f"    old: {guids[0]}",
        f"    new: {guids[1]}",
    ]


def test_report_when_one_side_has_no_value_then_it_is_said_to_lack(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """`0`, `False` and an absent value are three things."""
    rows = (finding(values=(0, None)),)
    assert "old: 0   new: -" in shown(comparison(findings=rows), monkeypatch)


def test_report_when_a_sample_was_drawn_then_its_bound_is_printed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The number that limits what may be wrong unseen is in the evidence."""
    text = " ".join(shown(comparison(), monkeypatch).split())
    assert "(95 % confidence)" in text
    assert "at most 2 files (0.08 %)" in text
    assert "65.54 kB" in text


def test_report_when_no_contents_were_read_then_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Depth layout must not look like proof of contents."""
    base = comparison("review")
    fields = {
        "evidence": base.evidence.model_copy(update={"bound": None}),
        "target": base.target.model_copy(update={"depth": "layout"}),
    }
    text = shown(base.model_copy(update=fields), monkeypatch)
    assert "Only files that the computer needs to start were read." in text


def test_report_when_things_were_left_out_then_each_is_named_with_its_reason(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Gaps that `sound` needs stand first and are marked; unread parts of both drives follow."""
    text = shown(comparison(), monkeypatch)
    needed = "raw-content (required for sound): the check failed: ValueError: no"
    other = "boot-firmware: it lives in the machine, not on the drive"
    assert text.index(needed) < text.index(other)
    assert "drive identity (old drive): told on Linux only" in text
    assert "drive identity (new drive): told on Linux only" in text


def test_report_when_identities_are_the_same_then_the_caution_is_added(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two drives with one identity must never be attached to a starting machine together."""
    assert "have the same identifiers" in shown(comparison(), monkeypatch)
    other = partition(1, 204_800).model_copy(
        update={"guid": "AAAAAAAA-0000-0000-0000-000000000000"}
    )
    new = header("new.img", (other,), disk_id="0B1F3C52-8A0E-4D77-9C41-52D0A7E9B310")
    sides = (OLD, new)
    quiet = shown(comparison(sides=sides), monkeypatch, sides=sides)
    assert "have the same identifiers" not in quiet
    assert "Never start a computer with both drives attached" in quiet


def test_report_when_sound_then_wiping_still_waits_for_a_start_and_a_copy(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The verdict is evidence, not permission."""
    text = " ".join(shown(comparison("sound"), monkeypatch).split())
    assert "without the old one, and start it" in text
    assert "important data has a backup" in text
    assert "not permission" in text


def test_report_when_texts_of_the_drive_are_hostile_then_none_of_them_acts(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Labels, paths, models, messages and reasons: nothing reaches the terminal but text."""
    bad = "\x1b[31m[bold]x[/bold]\u202e\udcff\x07"
    old = header(bad, (partition(1, 10, label=bad, type_name=bad),), disk_id=bad)
    row = finding(path=bad, message=bad, advice=bad, values=(bad, bad), rule=bad)
    document = comparison(findings=(row,), sides=(old, old)).model_copy(update={"summary": bad})
    text = shown(document, monkeypatch, 200, (old, old))
    assert "[bold]x[/bold]" in text
    assert not {one for one in text if one != "\n" and not one.isprintable()}
    text.encode("utf-8")


@pytest.mark.parametrize("width", [60, 80, 120, 400])
def test_report_when_the_console_is_narrow_or_wide_then_no_number_is_cut(
    width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A size that lost its end would be another size."""
    text = shown(comparison(), monkeypatch, width)
    assert {size for size in ("104.86 MB", "460.80 GB", "230.40 GB") if size not in text} == set()
    assert "…" not in text.split("PARTITIONS")[0]


def test_report_when_findings_are_thousands_then_the_rest_is_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Forty of a level are shown, the rest is a number and where to get them."""
    many = tuple(finding(advice=f"Do step {number}.") for number in range(1041))
    text = shown(comparison(findings=many), monkeypatch)
    assert text.count("X file-missing") == 40
    assert "and 1,001 more: --json prints them all" in text
    assert "STOP (1041)" in text


def test_report_when_findings_ask_for_the_same_then_they_are_one_with_its_places(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """41 files to copy again are one thing to do; the sentence and the advice stand once."""
    many = tuple(finding(path=f"/Users/orla/{number:02}.jpg") for number in range(41))
    text = shown(comparison(findings=many), monkeypatch)
    assert "STOP (1, in 41 places)" in text
    assert text.count("X file-missing: 41 places") == 1
    assert text.count(str(many[0].message)) == 1
    assert text.count("do: ") == 1
    assert [f"/Users/orla/{number:02}.jpg" in text for number in (0, 7, 8)] == [True, True, False]
    assert "and 33 more: --json prints them all" in text


@pytest.mark.parametrize("columns", ["0", "1", "99999999", "99999999999999999999"])
def test_report_when_columns_cannot_be_a_width_then_the_verdict_is_printed(
    columns: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The variable COLUMNS is anybody's; no value of it empties the screen or ends the program."""
    monkeypatch.setenv("COLUMNS", columns)
    stream = io.StringIO()
    print_report(console_for(stream), build_report(comparison("sound"), (OLD, NEW), frozenset()))
    lines = stream.getvalue().splitlines()
    assert "SOUND" in lines[0]
    assert max(map(len, lines)) <= 1000  # the widest that is drawn


def test_finding_when_it_is_about_many_files_then_the_first_three_are_named_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each on a line of its own below the sentence, and where the others are."""
    names = tuple(f"/Users/mira/Pictures/harbour {number}.jpg" for number in range(3))
    row = finding(path="/Users/mira/Pictures", message="7 files under this folder are missing.")
    row = row.model_copy(update={"examples": names})
    lines = [line.strip() for line in shown(comparison(findings=(row,)), monkeypatch).splitlines()]
    at = lines.index("7 files under this folder are missing.")
    assert lines[at + 1 : at + 4] == list(names)
    assert lines[at + 4] == "All of them: --differences FILE.csv --names"
