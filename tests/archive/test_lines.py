"""A list of many jobs: their order, their columns, cut to a terminal, and no second index of it."""

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING

import pytest
from rich.cells import cell_len

from tests.bench.jobs import make_jobs
from verify.archive.archive import open_archive
from verify.archive.index import BETWEEN, Wanted
from verify.archive.job_lines import job_lines
from verify.archive.proof import prove
from verify.text.language import speaking

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

ROW = BETWEEN.join(
    ("J-1", "2031-02-28", "sound", "A. Bell", "blue", "OLD-00001 Quire 9", "NEW-00001 Ream")
)


def test_lines_when_nobody_limits_them_then_every_word_is_there_in_its_column() -> None:
    """Each column begins at one place, whatever is in it, wide characters too."""
    wide = BETWEEN.join(("J-22", "2031-03-01", "review", "木下", "", "OLD-2", "NEW-2"))
    head, *lines = "".join(job_lines([ROW, wide, ROW], None)).splitlines()
    assert lines[0] == lines[2]
    assert lines[0].split("  ")[-1] == "NEW-00001 Ream"
    for line, row in zip(lines, (ROW, wide, ROW), strict=True):
        for title, word in zip(head.split(), row.split(BETWEEN), strict=False):
            if title in {"job", "filed", "verdict", "technician", "customer"} and word:
                cells = cell_len(line[: line.index(word)])
                assert cells == head.index(title)
    assert "".join(job_lines([], None)) == "no jobs\n"


def test_lines_when_a_terminal_limits_them_then_none_is_wider_and_job_and_verdict_stay() -> None:
    """What is cut is marked as cut; drives are cut before people."""
    long = BETWEEN.join(("J-1", "2031-02-28", "stop", "B" * 40, "c" * 40, "O" * 60, "木" * 60))
    for width in (80, 100):
        lines = "".join(job_lines([ROW, long], width)).splitlines()
        assert all(cell_len(line) <= width for line in lines)
        assert lines[2].startswith("J-1  2031-02-28  stop")
        assert "…" in lines[2]
        assert "OLD-0" in lines[1]
        assert "NEW-0" in lines[1]
    assert "…" not in "".join(job_lines([ROW], 100))


@pytest.mark.parametrize("width", [None, 100])
def test_lines_when_they_are_german_then_every_technician_is_below_the_title(
    width: int | None,
) -> None:
    """German words for a verdict are longer than their column's title, unlike English ones."""
    stop = ROW.replace("sound", "stop")
    with speaking("de"):
        head, *lines = "".join(job_lines([ROW, stop], width)).splitlines()
    assert [line.index("A. Bell") for line in lines] == [head.index("Techniker")] * 2
    assert "in Ordnung" in lines[0]


def test_archive_when_there_are_thousands_of_jobs_then_several_processes_agree_with_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: Command
) -> None:
    """4,001 jobs are enough for shares: index and proof are what one process makes of them."""
    archive = make_jobs(tmp_path, 4_001)
    (archive.jobs / "J-002500" / "job.json").write_text("{}")
    with archive.index() as index:
        lines, records = index.lines(Wanted()), list(index.records(Wanted()))
    proof = prove(archive, None)
    monkeypatch.setattr("verify.platforms.linux.system.Linux.processors", lambda _: 1)
    (archive.root / "index.sqlite").unlink()
    with archive.index() as index:
        assert index.lines(Wanted()) == lines
        assert list(index.records(Wanted())) == records
    assert prove(archive, None) == proof
    assert [(one.what, one.entry) for one in proof.problems] == [("changed", "J-002500")]
    assert (proof.entries, proof.files, len(lines)) == (4_001, 4_001, 4_000)
    listed = command("jobs", "list", "--archive", archive.root, "--json", "--text", "old-00000777")
    assert [row["job"] for row in listed.document["jobs"]] == ["J-000777"]
    assert json.loads(records[0])["job"] == "J-000001"


def test_index_when_an_entry_changes_or_goes_then_nothing_of_it_is_left_behind(
    tmp_path: Path,
) -> None:
    """Words and records lie in tables of their own."""
    archive = make_jobs(tmp_path, 3)
    with archive.index() as index:
        assert len(index.lines(Wanted(text="customer"))) == 3
    for path in (archive.jobs / "J-000002").iterdir():
        path.unlink()
    (archive.jobs / "J-000002").rmdir()
    record = archive.jobs / "J-000003" / "job.json"
    record.write_text(record.read_text().replace("customer 3", "another"))
    (archive.jobs / "J-000003" / "more").touch()
    with open_archive(archive.root).index(look_at_all=True) as index:
        assert len(index.lines(Wanted(text="customer"))) == 1
        assert len(index.lines(Wanted(text="ANOTHER"))) == 1
    with sqlite3.connect(archive.root / "index.sqlite") as connection:
        for table in ("entries", "words", "records"):
            query = f"select count(*) from {table}"  # noqa: S608 - a name of this test
            assert connection.execute(query).fetchone() == (2,)
    connection.close()
