"""`--differences`: every file and folder that differs, as files, in `--json` and in the job."""

from __future__ import annotations

import gzip
import json
import stat
from typing import TYPE_CHECKING, Any

import pytest

from verify.report.comparison_file import open_comparison

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command


@pytest.fixture(scope="module")
def both(drives: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The manifests of the demo's old drive and of its faulty clone."""
    from verify.cli.app import run  # noqa: PLC0415 - after the drives are there

    folder = tmp_path_factory.mktemp("both")
    for name in ("old", "faulty"):
        assert run(["capture", str(drives[name]), "-o", str(folder / name)]) == 0
    return folder / "old", folder / "faulty"


def lines_of(path: Path) -> list[Any]:
    """Return the rows of a list of JSON lines, packed or not."""
    text = path.read_bytes()
    text = gzip.decompress(text) if path.suffix == ".gz" else text
    return [json.loads(line) for line in text.splitlines()]


def test_compare_when_a_list_is_asked_for_then_all_forms_hold_the_same(
    both: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """The files, `--json` and what the list by NULs wants copied tell one thing."""
    asked = [f"--differences={tmp_path / name}" for name in ("all.jsonl", "all.csv", "all.paths0")]
    ran = command("compare", *both, "--names", "--json", *asked)
    assert ran.code == 3
    rows = lines_of(tmp_path / "all.jsonl")
    assert rows == ran.document["differences"]
    assert len(rows) == sum(item["count"] for item in ran.document["difference_counts"]) > 15
    assert (tmp_path / "all.csv").read_bytes().count(b"\r\n") == len(rows) + 1
    plain = (tmp_path / "all-partition-3.paths0").read_bytes().split(b"\0")
    assert plain.pop() == b""
    assert [f".{row['path']}".encode() for row in rows if row["copy"]] == plain
    found = {row["path"] for row in ran.document["findings"] if row["rule"] == "file-missing"}
    assert found <= {row["path"] for row in rows}
    for file in tmp_path.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600


@pytest.mark.parametrize("subcommand", [("check",), ("compare",)])
def test_list_when_the_edition_is_the_customers_then_it_is_refused(
    subcommand: tuple[str, ...], both: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """A list is nothing but the customer's file names."""
    ran = command(*subcommand, *both, "--differences", tmp_path / "all.csv")
    ran.assert_one_sentence(2, "--names")
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["all.txt", "all", "all.html"])
def test_list_when_its_ending_names_no_format_then_it_is_refused(
    name: str, both: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """The ending says the format, as of a report."""
    ran = command("compare", *both, "--names", "--differences", tmp_path / name)
    ran.assert_one_sentence(2, "ending", ".paths0")


@pytest.mark.parametrize(
    ("there", "asked"),
    [
        ("all.csv", "all.csv"),
        ("all-partition-9.paths", "all.paths0"),
        ("all-partition-3.paths0", "all.paths"),
    ],
)
def test_list_when_something_stands_there_then_nothing_is_overwritten(
    there: str, asked: str, both: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """Also a list of another partition, which would be taken for one of this job."""
    (tmp_path / there).write_bytes(b"before")
    ran = command("compare", *both, "--names", "--differences", tmp_path / asked)
    ran.assert_one_sentence(2, "already exists")
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"before"]


def test_list_when_a_report_has_its_name_then_it_is_refused(
    both: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """One would stand in the other's place."""
    file = tmp_path / "all.csv"
    ran = command("compare", *both, "--names", "--report", file, "--differences", file)
    ran.assert_one_sentence(2, "named twice")


def test_list_when_it_would_lie_over_a_drive_then_it_is_refused(
    drives: dict[str, Path], command: Command
) -> None:
    """As every output."""
    ran = command("check", drives["old"], drives["old"], "--names", "--differences", drives["old"])
    assert ran.code == 2


def test_job_when_it_is_filed_then_it_holds_the_list_under_its_seal(
    both: tuple[Path, Path], command: Command, tmp_path: Path
) -> None:
    """What was filed, and what judging the job again lists, is the same."""
    archive = tmp_path / "archive"
    assert command("jobs", "add", "J-1", *both, "--archive", archive).code == 3
    filed = lines_of(archive / "jobs" / "J-1" / "differences.jsonl.gz")
    listed = tmp_path / "again.jsonl"
    again = ("jobs", "judge", "J-1", "--archive", archive, "--differences", listed)
    command(*again).assert_one_sentence(2, "--names")
    assert command(*again, "--names").code == 3
    assert lines_of(listed) == filed
    assert len(filed) > 15
    sealed = json.loads((archive / "jobs" / "J-1" / "seal.json").read_bytes())
    assert "differences.jsonl.gz" in sealed["files"]
    assert command("jobs", "verify", "--archive", archive).code == 0


def test_check_when_it_is_filed_then_list_and_document_are_whole(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """The manifests that the list is made from become the job's own meanwhile."""
    archive, listed = tmp_path / "archive", tmp_path / "all.jsonl"
    more = ("--archive", archive, "--job", "J-2", "--names", "--differences", listed, "--json")
    ran = command("check", drives["old"], drives["faulty"], *more)
    assert ran.code == 3
    assert ran.document["differences"] == lines_of(listed)
    assert lines_of(archive / "jobs" / "J-2" / "differences.jsonl.gz") == lines_of(listed)
    assert not any((archive / "unfinished").iterdir())


def test_document_when_it_is_saved_then_a_report_is_made_from_it_without_the_list(
    both: tuple[Path, Path],
    command: Command,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """However long the list is: it is passed over by lines, and no customer's report has it."""
    monkeypatch.setattr("verify.report.comparison_file.LONGEST_BYTES", 1 << 20)
    saved, report = tmp_path / "saved.json", tmp_path / "report.json"
    ran = command("compare", *both, "--json")
    padded = ran.out.replace('  "differences": [\n', '  "differences": [\n' + "{},\n" * 300_000)
    saved.write_text(padded, encoding="ascii")
    assert len(json.loads(padded)["differences"]) == len(ran.document["differences"]) + 300_000
    assert saved.stat().st_size > 1 << 20
    assert any(item.count for item in open_comparison(saved).difference_counts)
    assert command("report", saved, "-o", report).code == 0
    assert "differences" not in json.loads(report.read_bytes())
    assert "order-1101" not in report.read_text(encoding="utf-8")


def test_paths_when_a_name_has_a_line_break_then_the_list_is_by_nuls(
    command: Command, tmp_path: Path
) -> None:
    """A list by lines that holds half of such a name would copy another file, or none."""
    from tests.rules.contents.drives import Side, a_file  # noqa: PLC0415
    from verify.cli.difference_files import difference_files  # noqa: PLC0415
    from verify.rules.difference_rows import difference_rows  # noqa: PLC0415
    from verify.rules.judge_drives import compare  # noqa: PLC0415

    old = Side([a_file("/kept"), a_file("/two\nlines"), a_file("/plain")]).manifest("old")
    new = Side([a_file("/kept")]).manifest("new")
    lists = difference_files([str(tmp_path / "copy.paths")], (), names=True)
    lists.write(lambda: difference_rows(old, new), compare(old, new).difference_counts)
    assert [path.name for path in tmp_path.iterdir()] == ["copy-partition-1.paths0"]
    made = (tmp_path / "copy-partition-1.paths0").read_bytes()
    assert sorted(made.split(b"\0")) == [b"", b"./plain", b"./two\nlines"]
    assert "line break" in command.capsys.readouterr().err
