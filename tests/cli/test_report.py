"""The report on the command line: every format, both editions, and never over what matters."""

from __future__ import annotations

import json
import re
import subprocess
from typing import TYPE_CHECKING

import pytest

from tests.text.heard import english_words, names_in, words_of
from verify.manifest.file import open_manifest
from verify.report.formats import TEXT_ENDINGS
from verify.text.message import Message

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command


@pytest.fixture(scope="session")
def compared(
    manifest: Path, drives: dict[str, Path], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A folder with the manifests of the old and the faulty drive, and the saved comparison."""
    from contextlib import redirect_stdout  # noqa: PLC0415
    from io import StringIO  # noqa: PLC0415

    from verify.cli.app import run  # noqa: PLC0415

    folder = tmp_path_factory.mktemp("compared")
    target = folder / "new.manifest"
    arguments = ["capture", str(drives["faulty"]), "-o", str(target), "--seed", "0badcafe"]
    assert run(arguments) == 0
    (folder / "old.manifest").write_bytes(manifest.read_bytes())
    paper = StringIO()
    with redirect_stdout(paper):
        assert run(["compare", str(folder / "old.manifest"), str(target), "--json"]) == 3
    (folder / "comparison.json").write_text(paper.getvalue(), encoding="utf-8")
    return folder


def customers_names(folder: Path) -> set[str]:
    """Return every name under /Users of the demo's old drive, as its manifest lists them."""
    listed = open_manifest(folder / "old.manifest")
    paths = [
        entry.path
        for partition in listed.header.partitions
        for entry in listed.entries(partition.number)
        if entry.path.startswith("/Users/")
    ]
    # A folder's name of letters alone (Documents, Local) is a word of the trade as well.
    return {name for path in paths for name in path.split("/") if re.search(r"[\d.]", name)}


@pytest.mark.parametrize("ending", TEXT_ENDINGS)
def test_report_when_made_by_compare_then_it_can_be_made_again_byte_for_byte(
    compared: Path, command: Command, tmp_path: Path, ending: str
) -> None:
    """From the saved comparison alone: no drive and no manifest is needed for it."""
    first, again = tmp_path / f"first{ending}", tmp_path / f"again{ending}"
    sides = compared / "old.manifest", compared / "new.manifest"
    assert command("compare", *sides, "--report", first).code == 3
    assert command("report", compared / "comparison.json", "-o", again).code == 0
    assert first.read_bytes() == again.read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == [again.name, first.name]


@pytest.mark.parametrize("ending", TEXT_ENDINGS)
def test_report_when_names_are_not_asked_for_then_none_of_the_demo_is_in_it(
    compared: Path, command: Command, tmp_path: Path, ending: str
) -> None:
    """No name of any file or folder of the customer; with `--names`, those of the findings."""
    file, shops = tmp_path / f"customer{ending}", tmp_path / f"shop{ending}"
    assert command("report", compared / "comparison.json", "-o", file).code == 0
    assert command("report", compared / "comparison.json", "-o", shops, "--names").code == 0
    names = customers_names(compared)
    assert "binding-07.jpg" in names
    assert len(names) > 100
    text = file.read_text(encoding="utf-8")
    assert not {name for name in names if name in text}
    assert "orla" not in text
    assert "binding-07.jpg" in shops.read_text(encoding="utf-8")


@pytest.mark.tools("ntfscat", "dd")
def test_places_when_a_file_differs_then_its_bytes_are_there_on_the_drive(
    compared: Path, drives: dict[str, Path], tmp_path: Path
) -> None:
    """As ntfscat (ntfs-3g) reads the file: the reported sectors hold the same bytes."""
    document = json.loads((compared / "comparison.json").read_text(encoding="utf-8"))
    (row,) = (
        row for row in document["places"] if (row["side"], row["what"]) == ("source", "changed")
    )
    (finding,) = (item for item in document["findings"] if item["rule"] == "file-content")
    (part,) = (
        part
        for part in document["manifests"]["source"]["header"]["partitions"]
        if part["number"] == row["partition"]
    )
    volume = tmp_path / "volume.img"
    subprocess.run(
        [
            "dd", f"if={drives['old']}", f"of={volume}", "bs=512", "conv=sparse", "status=none",
            f"skip={part['start_lba']}", f"count={part['sectors']}",
        ],
        check=True,
    )  # fmt: skip
    read = subprocess.run(["ntfscat", volume, finding["path"]], check=True, capture_output=True)
    with drives["old"].open("rb") as drive:
        drive.seek(row["ranges"][0]["start_lba"] * 512)
        assert drive.read(row["bytes"]) == read.stdout
    assert len(read.stdout) == row["bytes"] > 10_000


def test_check_when_asked_for_reports_then_each_file_is_one(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """Several formats at once; standard output and the exit are those of the check."""
    files = [tmp_path / f"report{ending}" for ending in TEXT_ENDINGS]
    options = [part for file in files for part in ("--report", file)]
    ran = command("check", drives["old"], drives["sound"], *options, "--json")
    assert ran.code == 0
    assert ran.document["verdict"] == "sound"
    assert json.loads(files[1].read_text())["edition"] == "customer"
    assert all(file.stat().st_size for file in files)


def test_report_when_no_file_is_named_then_it_is_printed(compared: Path, command: Command) -> None:
    """As Markdown, or as its document with `--json`."""
    ran = command("report", compared / "comparison.json")
    assert ran.code == 0
    assert ran.out.startswith("# Drive migration report\n")
    ran = command("report", compared / "comparison.json", "--json", "--names")
    assert ran.document["schema"] == "drivewitness.report/1"
    assert ran.document["edition"] == "shop"


def test_report_when_the_file_is_there_then_only_replace_replaces_it(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """And nothing but a report of that format, whatever its name ends with."""
    file = tmp_path / "report.html"
    arguments = ["report", compared / "comparison.json", "-o", file]
    assert command(*arguments).code == 0
    command(*arguments).assert_one_sentence(2, "already exists", "--replace")
    assert command(*arguments, "--replace", "--names").code == 0
    assert "Shop" in file.read_text(encoding="utf-8")
    file.write_bytes(b"precious")
    command(*arguments, "--replace").assert_one_sentence(2, "is not such a report")
    assert file.read_bytes() == b"precious"


def test_report_when_it_would_go_over_an_input_then_nothing_is_read(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """A drive, a manifest or the comparison itself, under any name: with `--replace` as well."""
    drive = tmp_path / "drive.html"
    drive.write_bytes(b"<!DOCTYPE html>" + bytes(1 << 20))
    for arguments in (
        ("check", drive, drive, "--report", drive),
        ("compare", drive, compared / "new.manifest", "--report", drive),
    ):
        command(*arguments, "--replace").assert_one_sentence(2, "one of the inputs")
    saved = compared / "comparison.json"
    ran = command("report", saved, "-o", saved, "--replace")
    ran.assert_one_sentence(2, "one of the inputs")


@pytest.mark.parametrize(
    ("name", "code", "words"),
    [
        ("report.txt", 2, "unknown file type"),
        ("report", 2, "unknown file type"),
        ("none/report.html", 4, "no such folder"),
    ],
)
def test_report_when_it_can_go_nowhere_then_that_is_said_before_reading(
    command: Command, tmp_path: Path, name: str, code: int, words: str
) -> None:
    """Hours of reading are not spent on a report that cannot be written."""
    ran = command("check", "/no/drive", "/no/other", "--report", tmp_path / name)
    ran.assert_one_sentence(code, words)


def test_report_when_given_a_job_then_it_is_that_of_its_comparison_with_its_seal(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """By its name in the archive, or by its folder; an unknown name is a named error."""
    archive, wanted = tmp_path / "archive", compared / "comparison.json"
    sides = compared / "old.manifest", compared / "new.manifest"
    assert command("jobs", "add", "1042", *sides, "--archive", archive).code == 3
    seal = json.loads((archive / "jobs" / "1042" / "seal.json").read_text())["seal"]
    told = command("report", "1042", "--archive", archive).out
    assert command("report", archive / "jobs" / "1042").out == told
    plain = command("report", wanted).out.splitlines()
    further = [line for line in told.splitlines() if line not in plain]
    assert seal in further[0]
    assert "this report" in further[1]
    assert len(further) == 2
    assert command("report", "1043", "--archive", archive).code == 4
    command("report", archive).assert_one_sentence(4, "no such file")


def test_report_when_a_job_was_checked_then_it_is_made_again_byte_for_byte(
    drives: dict[str, Path], command: Command, tmp_path: Path
) -> None:
    """What `check --job` wrote is what `report JOB` writes a year later, seal and all."""
    archive = tmp_path / "archive"
    first, again = (
        {ending: tmp_path / f"{name}{ending}" for ending in (*TEXT_ENDINGS, ".pdf")}
        for name in "ab"
    )
    reports = [part for file in first.values() for part in ("--report", file)]
    options = ("--job", "7", "--archive", archive, *reports)
    assert command("check", drives["old"], drives["sound"], *options).code == 0
    outputs = [part for file in again.values() for part in ("-o", file)]
    assert command("report", "7", "--archive", archive, *outputs).code == 0
    for ending, file in first.items():
        assert file.read_bytes() == again[ending].read_bytes(), ending


def test_report_when_one_file_is_named_twice_then_it_is_refused(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """The second would stand over the first."""
    file = tmp_path / "a.md"
    ran = command("report", compared / "comparison.json", "-o", file, "-o", file)
    ran.assert_one_sentence(2, "twice")


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"{",
        b"[]",
        b"\xff\xfe{",
        b"[" * 100_000,
        b'{"a":' * 100_000,
        b'{"schema": "drivewitness.comparison/1"}',
        b'{"schema": "drivewitness.comparison/2"}',
        b'{"schema": "drivewitness.report/1", "edition": "customer"}',
    ],
)
def test_report_when_given_no_comparison_then_that_is_a_named_error(
    command: Command, tmp_path: Path, text: bytes
) -> None:
    """Whatever the file holds."""
    file = tmp_path / "comparison.json"
    file.write_bytes(text)
    command("report", file).assert_one_sentence(4, "is not a comparison")


def test_report_when_a_field_of_the_comparison_is_damaged_then_the_error_says_which(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """Its path inside the document."""
    document = json.loads((compared / "comparison.json").read_text(encoding="utf-8"))
    document["findings"][0]["level"] = "fatal"
    file = tmp_path / "comparison.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    command("report", file).assert_one_sentence(4, "findings.0.level")


def test_report_when_the_disk_fails_then_nothing_stands_under_its_name(
    compared: Path, command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither the report nor what was written of it."""

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("verify.whole_file.os.fsync", full)
    ran = command("report", compared / "comparison.json", "-o", tmp_path / "a.html")
    ran.assert_one_sentence(4, "no space left")
    assert not list(tmp_path.iterdir())


def test_demo_when_reports_are_asked_for_then_all_are_there(
    command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One of each verdict, in the formats that need no optional library, and no other file."""
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "reports"
    assert command("demo", "--report", folder).code == 0
    verdicts = {
        name: json.loads((folder / f"{name}.json").read_text())["verdict"]
        for name in ("sound", "faulty", "snapshot")
    }
    assert verdicts == {"sound": "sound", "faulty": "stop", "snapshot": "review"}
    assert len(list(folder.iterdir())) == 12
    assert list(tmp_path.iterdir()) == [folder]


def english_left(shown: str, folder: Path) -> set[str]:
    """Return the words of the catalogue's English side alone, but for slugs, paths and names."""
    shown = re.sub(r"[a-z]+(?:-[a-z]+)+|/\S+|drivewitness rules", " ", shown)
    headers = [open_manifest(folder / f"{side}.manifest").header for side in ("old", "new")]
    names = set().union(*(words_of(name) for header in headers for name in names_in(header)))
    return words_of(shown) & english_words("de") - names


@pytest.mark.parametrize("ending", [".html", ".md"])
def test_report_when_asked_for_in_german_then_no_english_word_is_left(
    compared: Path, command: Command, tmp_path: Path, ending: str
) -> None:
    """But for names: rules, paths, tags and attributes of the page."""
    path = tmp_path / f"bericht{ending}"
    ran = command("report", compared / "comparison.json", "--lang", "de", "--names", "-o", path)
    assert ran.code == 0
    text = path.read_text(encoding="utf-8")
    sources = r"<h4>Quellen</h4><p>.*?</p>|Quellen: .*?\n"  # cited as they are called
    shown = re.sub(rf"(?s)<style>.*?</style>|{sources}|<[^>]*>", " ", text)
    assert "Was nicht untersucht wurde, und warum" in shown
    assert english_left(shown, compared) == set()


def test_manifest_when_read_back_then_what_was_wrong_is_still_a_message(compared: Path) -> None:
    """The protective record of the demo's faulty drive covers less than the drive."""
    record = open_manifest(compared / "new.manifest").header.table.mbr
    assert record is not None
    assert isinstance(record.problem, Message)


def test_report_when_a_comparison_is_older_than_its_templates_then_it_is_told_in_english(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """The words around the findings are German, and nothing of the findings is half and half."""
    document = json.loads((compared / "comparison.json").read_text(encoding="utf-8"))
    del document["sentences"]
    old, path = tmp_path / "comparison.json", tmp_path / "a.md"
    old.write_text(json.dumps(document), encoding="utf-8")
    assert command("report", old, "--lang", "de", "--names", "-o", path).code == 0
    text = path.read_text(encoding="utf-8")
    assert "Was nicht untersucht wurde, und warum" in text
    for row in document["findings"]:
        assert re.sub(r"\W", "", row["message"]) in re.sub(r"\W", "", text)


def test_report_when_made_again_in_german_then_it_is_replaced_only_if_it_is_one(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """A German page is known as a report of ours; somebody's own Markdown is not."""
    path, saved = tmp_path / "bericht.md", compared / "comparison.json"
    again = ("report", saved, "-o", path, "--replace", "--lang")
    assert [command(*again, "de").code, command(*again, "en").code] == [0, 0]
    path.write_text("# Meine Notizen\n", encoding="utf-8")
    assert command(*again, "de").code == 2
    assert path.read_text(encoding="utf-8") == "# Meine Notizen\n"


def test_comparison_when_printed_in_german_then_verdict_and_exit_stay_what_they_are(
    compared: Path, command: Command
) -> None:
    """The terminal speaks the language; the exit code and the document do not."""
    sides = ("compare", compared / "old.manifest", compared / "new.manifest", "--lang", "de")
    printed, document = command(*sides), command(*sides, "--json")
    assert (printed.code, document.code) == (3, 3)
    assert " STOPP " in printed.out
    assert "NICHT UNTERSUCHT" in printed.out
    assert english_left(printed.out, compared) == set()
    assert document.document["verdict"] == "stop"


def test_sheet_when_names_are_asked_for_then_it_still_has_none(
    compared: Path, command: Command, tmp_path: Path
) -> None:
    """Nothing but the sheet is written or printed, and only as HTML or PDF."""
    made = tmp_path / "sheet.html"
    done = command("report", compared / "comparison.json", "--sheet", made, "--names")
    assert (done.code, done.out) == (0, "")
    page = made.read_text(encoding="utf-8")
    assert "Do not wipe it" in page
    assert not [name for name in customers_names(compared) if name in page]
    assert command("report", compared / "comparison.json", "--sheet", "sheet.md").code != 0
