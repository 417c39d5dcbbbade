"""An archive as Parquet: types and units, no file name in it, the queries of docs/fleet.md."""

from __future__ import annotations

import json
import re
from collections import Counter, defaultdict
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from pyarrow import parquet

from tests.archive.small import filed, header, pair
from tests.conftest import REPOSITORY
from tests.rules.cases import usual
from verify.archive.archive import Archive, make_archive
from verify.archive.columns import TABLES, job_row
from verify.filesystem.entry import Entry
from verify.manifest.file import write_manifest
from verify.manifest.row import encode_entry
from verify.report.comparison_file import open_comparison
from verify.rules.comparison_document import Bound, Evidence

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

PAGE = (REPOSITORY / "docs/fleet.md").read_text(encoding="utf-8")
QUERIES = re.findall(r"```sql\n(.*?)```", PAGE, re.DOTALL)
LETTER = "letter to the bank"
DAY = 86_400


def with_file(folder: Path, name: str, **changes: Any) -> Path:
    """Write the manifest of an old drive with one file, which no new drive here has."""
    rows = folder / f"{name}.rows"
    entry = Entry(kind="file", path=f"/Users/Orla/{LETTER}.txt", node=9, size=3, modified=5)
    rows.write_bytes(encode_entry(entry))
    path = folder / name
    listed = {item.number: rows if item.number == 3 else None for item in usual()}
    write_manifest(path, header(**changes), listed)
    return path


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Five jobs of two technicians and months; two of them lack a file; one has no comparison."""
    made = make_archive(tmp_path / "archive")
    old, new = pair(tmp_path)
    for number, (technician, day) in enumerate(
        (("A. Bell", 3), ("A. Bell", 40), ("C. Carr", 3)), 1
    ):
        filed(made, f"J-{number}", (old, new), technician=technician, now=day * DAY + 7)
    filed(made, "J-4", (with_file(tmp_path, "lacks"), new), technician="A. Bell", now=4 * DAY)
    docked = with_file(tmp_path, "docked", serial="DOCK", serial_source="adapter")
    filed(made, "J-5", (docked, new), technician="C. Carr", now=5 * DAY, notes="for Orla")
    filed(made, "J-6", (old, new), verdict="sound", now=6 * DAY)
    filed(made, "J-7", (old, new), now=6 * DAY)
    (made.jobs / "J-7/comparison.json").unlink()
    return made


@pytest.fixture
def rows(archive: Archive, tmp_path: Path, command: Command) -> list[dict[str, Any]]:
    """Every job as JSON lines, and as Parquet in `fleet` beside the archive."""
    lines = tmp_path / "jobs.jsonl"
    words = ("jobs", "export", "--archive", archive.root, "-o", lines)
    assert command(*words, "--parquet", tmp_path / "fleet").code == 0
    return [json.loads(line) for line in lines.read_text().splitlines()]


def asked(query: str, folder: Path) -> list[tuple[Any, ...]]:
    """Return what DuckDB answers to a query of the page."""
    return duckdb.execute(query.replace("'fleet/", f"'{folder}/fleet/")).fetchall()


def test_parquet_when_written_then_types_units_and_meanings_are_those_of_the_page(
    rows: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Read back by the library: moments to the second, sizes in bytes, nulls where nothing is."""
    page = (REPOSITORY / "docs/schema/parquet.md").read_text(encoding="utf-8")
    for name, columns in TABLES.items():
        schema = parquet.read_schema(tmp_path / "fleet" / f"{name}.parquet")
        assert schema.names == [column.name for column in columns]
        for column, field in zip(columns, schema, strict=True):
            assert field.metadata[b"meaning"].decode() == column.meaning
            assert field.metadata.get(b"unit", b"").decode() == (column.unit or "")
            assert f"| `{column.name}` | {column.type} | {column.unit or ''} |" in page
    table = parquet.read_table(tmp_path / "fleet/jobs.parquet").to_pylist()
    assert [row["job"] for row in table] == [row["job"] for row in rows] == [
        "J-1", "J-3", "J-4", "J-5", "J-6", "J-7", "J-2",
    ]  # fmt: skip
    by_job = {row["job"]: row for row in table}
    for row in rows:
        told = by_job[row["job"]]
        assert told["filed"].timestamp() == row["filed"]
        assert told["source_size_bytes"] == row["source"]["size_bytes"]
        assert told["stop_findings"] == row["levels"]["stop"]
        assert told["target_captured"].timestamp() == row["target"]["captured"]
    assert "comparison.json" in by_job["J-7"]["unreadable"]
    assert by_job["J-7"]["files_listed"] is None


def test_job_row_when_there_is_evidence_then_each_number_stands_in_its_own_column(
    archive: Archive,
) -> None:
    """Every number another one; a job whose comparison has no bound has none in its row."""
    record = archive.record("J-1").model_dump(mode="json")
    comparison = open_comparison(archive.file("J-1", "comparison.json"))
    bound = Bound(confidence=0.9, files_at_most=5, rate_at_most=0.25, bytes_at_most=6)
    evidence = Evidence(files_listed=1, files_hashed=2, bytes_hashed=3, mismatches=4, bound=bound)
    told = comparison.model_copy(update={"evidence": evidence})
    row = job_row(record, told, None, names=False)
    beginnings = ("files", "bytes", "mismatches", "bound")
    assert {name: row[name] for name in row if name.startswith(beginnings)} == {
        "files_listed": 1, "files_hashed": 2, "bytes_hashed": 3, "mismatches": 4,
        "bound_confidence": 0.9, "bound_files": 5, "bound_rate": 0.25, "bound_bytes": 6,
    }  # fmt: skip
    assert row.keys() <= {column.name for column in TABLES["jobs"]}
    none = told.model_copy(update={"evidence": evidence.model_copy(update={"bound": None})})
    assert "bound_rate" not in job_row(record, none, None, names=False)


def test_parquet_when_counted_then_every_finding_and_outcome_is_a_row(
    rows: list[dict[str, Any]], tmp_path: Path
) -> None:
    """As many as the JSON lines have, by job and rule."""
    for name in ("findings", "outcomes"):
        table = parquet.read_table(tmp_path / "fleet" / f"{name}.parquet").to_pylist()
        told = Counter((row["job"], row["rule"], row.get("outcome")) for row in table)
        assert told == Counter(
            (row["job"], item["rule"], item.get("outcome"))
            for row in rows
            for item in row[name] or ()
        )
        assert table


@pytest.mark.usefixtures("rows")
def test_export_when_nobody_asks_for_names_then_none_is_in_it(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """Neither in a path nor in a sentence, nor the notes; with --names all of it is there."""

    def told(folder: Path, lines: Path) -> str:
        words = lines.read_text()
        for name in TABLES:
            words += str(parquet.read_table(folder / f"{name}.parquet").to_pylist())
        return words

    plain = told(tmp_path / "fleet", tmp_path / "jobs.jsonl")
    assert LETTER not in plain
    assert "Orla" not in plain
    assert "<name " in plain
    more = ("-o", tmp_path / "more.jsonl", "--parquet", tmp_path / "more", "--names")
    assert command("jobs", "export", "--archive", archive.root, *more).code == 0
    named = told(tmp_path / "more", tmp_path / "more.jsonl")
    assert f"/Users/Orla/{LETTER}.txt" in named
    assert "for Orla" in named


def test_page_when_its_first_query_is_asked_then_months_and_technicians_are_counted(
    rows: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Counted again in Python from the JSON lines; 3 January is month 1970-01, day 40 the next."""
    counted: dict[tuple[Any, str], list[bool]] = defaultdict(list)
    for row in rows:
        month = "1970-02" if row["filed"] > 31 * DAY else "1970-01"
        counted[row["technician"], month].append(row["verdict"] != "sound")
    answer = asked(QUERIES[0], tmp_path)
    assert len(answer) == len(counted) == 4
    for technician, month, jobs, bad, percent in answer:
        members = counted[technician, month]
        assert (jobs, bad) == (len(members), sum(members))
        assert percent == pytest.approx(100 * bad / jobs, abs=0.05)


def test_page_when_its_second_query_is_asked_then_rules_that_stop_are_counted(
    rows: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Jobs and findings by rule; one of the two that lack a file was read through an adapter."""
    jobs: dict[str, set[str]] = defaultdict(set)
    findings: Counter[str] = Counter()
    docked: dict[str, set[str]] = defaultdict(set)
    for row in rows:
        for item in row["findings"] or ():
            if item["level"] == "stop":
                jobs[item["rule"]].add(row["job"])
                findings[item["rule"]] += 1
                if row["source"]["serial_source"] == "adapter":
                    docked[item["rule"]].add(row["job"])
    expected = [(rule, len(of), findings[rule], len(docked[rule])) for rule, of in jobs.items()]
    answer = asked(QUERIES[1], tmp_path)
    assert answer == sorted(expected, key=lambda row: (-row[1], row[0]))
    assert ("file-missing", 2, 2, 1) in answer


def test_page_when_its_third_query_is_asked_then_what_sound_jobs_left_out_is_told(
    rows: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Of the sound job alone."""
    left = Counter(
        item["rule"]
        for row in rows
        if row["verdict"] == "sound"
        for item in row["outcomes"]
        if item["outcome"] == "not_examined"
    )
    answer = asked(QUERIES[2], tmp_path)
    assert {(rule, count) for rule, count, _, _ in answer} == set(left.items())
    assert all(reason for _, _, reason, _ in answer)
    assert len(QUERIES) == 3


def test_export_when_called_wrongly_then_one_sentence_says_so(
    archive: Archive, tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No file to write; a folder with something in it; without the library."""
    words = ("jobs", "export", "--archive", archive.root)
    command(*words).assert_one_sentence(2, "The file to write is missing")
    command(*words, "--parquet", tmp_path).assert_one_sentence(2, "not empty")
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    ran = command(*words, "--parquet", tmp_path / "fleet")
    ran.assert_one_sentence(2, "pyarrow", "drivewitness[parquet]")
    assert not (tmp_path / "fleet").exists()
