"""`drivewitness jobs …`: filed, listed, shown, judged again, handed on."""

from __future__ import annotations

import json
import os
import unicodedata
from typing import TYPE_CHECKING

import pytest

from tests.archive.small import FILES, archive_of, filed, header, pair
from tests.report.hostile import ACTING, HOSTILE
from verify.archive.archive import make_archive
from verify.platforms.platform import Platform
from verify.rules.catalogue import RULES

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command
    from verify.archive.archive import Archive


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """An archive of three jobs."""
    made = make_archive(tmp_path / "archive")
    paths = pair(tmp_path)
    filed(made, "J-1", paths, technician="A. Bell", customer="blue", now=86_400 * 10)
    filed(made, "J-2", paths, technician="C. Carr", notes="100% by hand", now=86_400 * 11)
    filed(made, "J-3", paths, technician="A. Bell", verdict="stop", now=86_400 * 12)
    return made


def names(command: Command, archive: Archive, *arguments: object) -> list[str]:
    """Return the names of the jobs that a list shows, in its order."""
    document = command("jobs", "list", "--archive", archive.root, "--json", *arguments).document
    return [row["job"] for row in document["jobs"]]


def test_add_when_two_manifests_are_given_then_all_of_the_job_is_filed(
    tmp_path: Path, command: Command
) -> None:
    """The verdict is that of `compare`; manifests, comparison, report, record, seal are there."""
    old, new = pair(tmp_path)
    judged = command("compare", old, new, "--json")
    place = tmp_path / "new" / "archive"
    ran = command(
        "jobs", "add", "J-9", old, new, "--archive", place, "--customer", "blue", "--json"
    )
    assert ran.code == judged.code
    assert ran.document == judged.document
    folder = place / "jobs" / "J-9"
    assert {path.name for path in folder.iterdir()} == FILES | {"seal.json"}
    kept = json.loads((folder / "comparison.json").read_text())
    assert kept | {"differences": []} == judged.document
    seal = json.loads((folder / "seal.json").read_text())
    assert seal["seal"] in ran.err
    assert not list((place / "unfinished").iterdir())
    assert old.exists()
    shown = command("jobs", "show", "J-9", "--archive", place, "--json").document
    assert (shown["customer"], shown["technician"]) == ("blue", None)
    assert shown["verdict"] == judged.document["verdict"]
    assert shown["source"]["serial"] == "OLD-1"


def test_add_when_a_name_is_taken_then_nothing_is_read_and_nothing_changes(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """Also in other letters: not every filesystem tells j-1 from J-1."""
    old, new = pair(tmp_path)
    for name in ("J-1", "j-1"):
        ran = command("jobs", "add", name, old, new, "--archive", archive.root)
        ran.assert_one_sentence(4, name, "already")


@pytest.mark.parametrize("name", ["", "../J", "a/b", ".hidden", "a~b", "NUL", "com1.x", "x" * 65])
def test_add_when_a_name_could_not_be_a_folder_then_it_is_refused(
    name: str, tmp_path: Path, command: Command
) -> None:
    """Names are folders on every system (Microsoft, Naming Files, Paths, and Namespaces)."""
    ran = command("jobs", "add", name, *pair(tmp_path), "--archive", tmp_path / "a")
    ran.assert_one_sentence(2)
    assert not (tmp_path / "a").exists()


def test_add_when_the_folder_holds_other_things_then_it_is_left_alone(
    tmp_path: Path, command: Command
) -> None:
    """An archive is made in a new or an empty folder only."""
    old, new = pair(tmp_path)
    command("jobs", "add", "J", old, new, "--archive", tmp_path).assert_one_sentence(4)
    assert {path.name for path in tmp_path.iterdir()} <= {"old.manifest", "new.manifest", "home"}


def test_list_when_filtered_and_sorted_then_those_are_shown(
    archive: Archive, command: Command
) -> None:
    """By technician, verdict, day, text (with no wildcards in it), sorted both ways, cut."""
    assert names(command, archive) == ["J-1", "J-2", "J-3"]
    assert names(command, archive, "--technician", "A. Bell") == ["J-1", "J-3"]
    assert names(command, archive, "--verdict", "stop") == ["J-3"]
    assert names(command, archive, "--since", "1970-01-12", "--until", "1970-01-12") == ["J-2"]
    assert names(command, archive, "--text", "old-1") == ["J-1", "J-2", "J-3"]
    assert names(command, archive, "--text", "0% by") == ["J-2"]
    assert names(command, archive, "--text", "1_") == []
    assert names(command, archive, "--sort", "job", "--reverse", "--limit", "2") == ["J-3", "J-2"]
    command("jobs", "list", "--archive", archive.root, "--since", "soon").assert_one_sentence(
        2, "soon"
    )


def test_list_when_the_index_is_gone_damaged_or_behind_then_it_is_made_again(
    archive: Archive, command: Command, tmp_path: Path
) -> None:
    """The folders are the archive; the index follows them, whatever became of it."""
    file = archive.root / "index.sqlite"
    file.unlink()
    assert names(command, archive) == ["J-1", "J-2", "J-3"]
    file.write_bytes(b"no database at all " * 100)
    assert names(command, archive) == ["J-1", "J-2", "J-3"]
    kept = file.read_bytes()
    filed(archive, "J-4", pair(tmp_path))
    file.write_bytes(kept)
    assert sorted(names(command, archive)) == ["J-1", "J-2", "J-3", "J-4"]
    for path in (archive.jobs / "J-4").iterdir():
        path.unlink()
    (archive.jobs / "J-4").rmdir()
    assert names(command, archive) == ["J-1", "J-2", "J-3"]


def test_judge_when_asked_then_the_manifests_are_judged_by_the_rules_of_today(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """The comparison is that of the two manifests; a verdict that is another one is reported."""
    judged = command("compare", *pair(tmp_path), "--json")
    ran = command("jobs", "judge", "J-3", "--archive", archive.root, "--json")
    assert ran.code == judged.code
    assert ran.document == judged.document
    assert "filed as stop by version" in ran.err
    command("jobs", "judge", "J-8", "--archive", archive.root).assert_one_sentence(4, "J-8")


def test_list_when_a_record_cannot_be_read_then_its_job_is_not_passed_over_in_silence(
    archive: Archive, command: Command
) -> None:
    """A job that was deleted by a sealed word is no such case. The index is made anew between."""
    words = "--reason", "asked to", "--technician", "Bell"
    assert command("jobs", "delete", "J-2", *words, "--archive", archive.root).code == 0
    assert command("jobs", "list", "--archive", archive.root).err == ""
    (archive.jobs / "J-1" / "job.json").write_text("torn")
    (archive.root / "index.sqlite").unlink()
    listed = command("jobs", "list", "--archive", archive.root)
    assert listed.code == 0
    assert "1 entry of the archive cannot be read: J-1" in listed.err


def test_judge_when_a_file_is_not_what_was_sealed_then_that_is_said(
    archive: Archive, command: Command
) -> None:
    """The verdict of manifests that somebody changed is not that of the job."""
    before = command("jobs", "judge", "J-1", "--archive", archive.root)
    (archive.jobs / "J-1" / "comparison.json").write_text("{}")
    after = command("jobs", "judge", "J-1", "--archive", archive.root)
    assert "not confirmed by its seal" not in before.err
    assert "comparison.json of J-1 was changed after the sealing" in after.err


def test_export_when_written_then_every_job_is_a_line_with_its_findings_and_outcomes(
    archive: Archive, tmp_path: Path, command: Command
) -> None:
    """One JSON document a line; a job without its comparison says so."""
    (archive.jobs / "J-2" / "comparison.json").unlink()
    file = tmp_path / "jobs.jsonl"
    assert command("jobs", "export", "--archive", archive.root, "-o", file).code == 0
    rows = [json.loads(line) for line in file.read_text().splitlines()]
    assert [row["job"] for row in rows] == ["J-1", "J-2", "J-3"]
    assert {row["rule"] for row in rows[0]["outcomes"]} == {rule.slug for rule in RULES}
    assert rows[1]["outcomes"] is None
    assert "comparison.json" in rows[1]["unreadable"]


def test_list_when_there_is_no_archive_then_it_says_so(tmp_path: Path, command: Command) -> None:
    """Neither a folder that is not there nor one of other things is an archive."""
    for place in (tmp_path / "none", tmp_path):
        command("jobs", "list", "--archive", place).assert_one_sentence(4, "is not an archive")


@pytest.mark.posix
def test_archive_when_nobody_names_one_then_it_is_the_users_own(
    tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification 0.8: $XDG_DATA_HOME, else ~/.local/share."""
    old, new = pair(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    command("jobs", "add", "J-1", old, new)
    assert (tmp_path / "data/drivewitness/archive/jobs/J-1").is_dir()
    monkeypatch.delenv("XDG_DATA_HOME")
    command("jobs", "add", "J-1", old, new)
    assert (tmp_path / "home/.local/share/drivewitness/archive/jobs/J-1").is_dir()
    monkeypatch.setenv("DRIVEWITNESS_ARCHIVE", str(tmp_path / "named"))
    command("jobs", "add", "J-1", old, new)
    assert (tmp_path / "named/jobs/J-1").is_dir()


@pytest.mark.parametrize("text", [" ".join(HOSTILE[:-1]), HOSTILE[-1], "\udcff\ud800"])
def test_show_when_words_of_a_job_are_hostile_then_none_of_them_acts(
    tmp_path: Path, command: Command, text: str
) -> None:
    """What was typed, or told by a drive: technician, customer, notes, model, serial number."""
    archive = make_archive(tmp_path / "archive")
    told = text[:200].encode("utf-8", "ignore").decode()  # a manifest never holds half a sign
    paths = pair(tmp_path, header(model=told, serial=told))
    filed(archive, "J-1", paths, customer=text, technician=text, notes=text)
    for ran in (
        command("jobs", "show", "J-1", "--archive", archive.root),
        command("jobs", "list", "--archive", archive.root),
        command("report", "J-1", "--archive", archive.root),
        command("report", "J-1", "--archive", archive.root, "--json"),
    ):
        assert ran.code == 0
        acting = {one for one in ran.out if unicodedata.category(one) in ACTING} - {"\n"}
        assert acting == set()
    assert command("jobs", "list", "--archive", archive.root, "--json").document["jobs"]


def test_check_when_a_job_is_named_then_what_was_read_is_filed(
    tmp_path: Path, command: Command
) -> None:
    """`check --job` reads two images and files manifests, comparison and report as they came."""
    images = []
    for name in ("old", "new"):
        image = tmp_path / f"{name}.img"
        image.write_bytes(os.urandom(512) + bytes(1 << 20))
        images.append(image)
    place = tmp_path / "archive"
    report, page = tmp_path / "report.json", tmp_path / "report.html"
    ran = command(
        "check", *images, "--job", "J-1", "--archive", place, "--json",
        "--report", report, "--report", page, "--report", tmp_path / "report.md",
    )  # fmt: skip
    assert ran.code in {0, 1, 3}
    folder = place / "jobs" / "J-1"
    assert {path.name for path in folder.iterdir()} == FILES | {"seal.json"}
    kept = json.loads((folder / "comparison.json").read_text())
    assert kept | {"differences": []} == ran.document
    assert command("jobs", "verify", "--archive", place).code == 0
    seal = json.loads((folder / "seal.json").read_text())["seal"]
    assert json.loads(report.read_text())["job_seal"] == f"number 1, J-1: {seal}"
    assert seal in page.read_text()
    assert seal in (tmp_path / "report.md").read_text()
    assert not list((place / "unfinished").iterdir())


def test_check_when_held_to_a_fit_then_the_fit_is_filed_and_judged_by_again(
    tmp_path: Path, command: Command
) -> None:
    """A job is judged again by the layout it was held to, which here is not the one that came."""
    old, new = pair(tmp_path)
    fit, place = tmp_path / "wanted.json", tmp_path / "archive"
    assert command("fit", old, "--onto", "4194304000", "-o", fit).code == 0
    held = command("compare", old, new, "--fit", fit, "--json").document
    assert held != command("compare", old, new, "--json").document
    command("check", old, new, "--fit", fit, "--job", "J-1", "--archive", place)
    assert (place / "jobs/J-1/fit.json").read_bytes() == fit.read_bytes()
    fit.unlink()
    at = ("--archive", place)
    assert command("jobs", "judge", "J-1", *at, "--json").document == held
    assert command("jobs", "verify", *at).code == 0


def test_archive_of_when_made_then_its_jobs_are_numbered(tmp_path: Path) -> None:
    """Every seal has the next number, from 1."""
    archive = archive_of(tmp_path, 3)
    assert [archive.sealed(f"J-{number}").number for number in (1, 2, 3)] == [1, 2, 3]


@pytest.mark.parametrize(("file", "field"), [("seal.json", "number"), ("job.json", "filed")])
@pytest.mark.parametrize("number", [10**15, 10**30, -1])
def test_list_when_a_number_is_one_that_none_can_be_then_the_other_jobs_are_listed(
    file: str, field: str, number: int, tmp_path: Path, command: Command
) -> None:
    """A record or seal that was tampered with is no fault of the list; `jobs verify` names it."""
    archive = archive_of(tmp_path, 2)
    path = archive.jobs / "J-2" / file
    path.write_text(json.dumps(json.loads(path.read_text()) | {field: number}))
    (archive.root / "index.sqlite").unlink()
    ran = command("jobs", "list", "--archive", archive.root)
    assert (ran.code, "J-1" in ran.out) == (0, True)
    plan = tmp_path / "plan.json"
    more = ("--by", "month", "--seed", "s", "-o", plan)
    assert command("audit", "plan", "--archive", archive.root, *more).code == 0
    ran = command("jobs", "verify", "--archive", archive.root)
    assert (ran.code, "J-2" in ran.out) == (3, True)


@pytest.mark.parametrize("words", [(), ("--group", "root"), ("--off",)])
def test_share_when_the_system_has_no_groups_then_that_is_said_and_nothing_changes(
    words: tuple[str, ...], tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows: what is stored in the archive would claim what does not hold."""
    archive = make_archive(tmp_path / "archive")
    before = (archive.root / "archive.json").read_bytes()
    monkeypatch.setattr("verify.platforms.this.PLATFORM", Platform())
    ran = command("jobs", "share", *words, "--archive", archive.root)
    ran.assert_one_sentence(2, "cannot be shared with a group on this system")
    assert (archive.root / "archive.json").read_bytes() == before
