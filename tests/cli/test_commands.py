"""The other commands, and how a run ends that goes wrong."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import pytest

from fixtures import running
from tests.conftest import REPOSITORY
from verify.cli.demo_images import unpack
from verify.matching.exclusions import EXCLUSIONS
from verify.rules.catalogue import RULES
from verify.version import __version__

if TYPE_CHECKING:
    from tests.cli.command import Command

PATIENCE_SECONDS = 30


@pytest.mark.tools("sfdisk")
def test_show_when_json_is_asked_then_it_agrees_with_sfdisk(
    drives: dict[str, Path], command: Command
) -> None:
    """Table and partitions against `sfdisk -J` (util-linux) on the same image."""
    answer = subprocess.run(
        ["sfdisk", "-J", str(drives["old"])], check=True, capture_output=True, text=True
    )
    told = json.loads(answer.stdout)["partitiontable"]
    shown = command("show", drives["old"], "--json").document
    assert shown["schema"] == "drivewitness.manifest/1"
    assert (shown["table"]["scheme"], shown["table"]["disk_id"]) == (told["label"], told["id"])
    assert [
        (row["start_lba"], row["sectors"], row["type"], row["guid"], row["name"])
        for row in shown["partitions"]
    ] == [
        (row["start"], row["size"], row["type"], row["uuid"], row["name"])
        for row in told["partitions"]
    ]


@pytest.mark.tools("sfdisk")
def test_show_when_a_person_reads_then_what_sfdisk_knows_is_there(
    drives: dict[str, Path], manifest: Path, command: Command
) -> None:
    """Every partition's start, size, GUID and name stand in the view, of drive and manifest."""
    answer = subprocess.run(
        ["sfdisk", "-J", str(drives["old"])], check=True, capture_output=True, text=True
    )
    told = json.loads(answer.stdout)["partitiontable"]
    for shown in (command("show", drives["old"]), command("show", manifest)):
        assert shown.code == 0
        assert told["id"] in shown.out
        for row in told["partitions"]:
            assert f"LBA {row['start']:,}, {row['size']:,} sectors" in shown.out
            assert row["uuid"] in shown.out
            assert row["name"] in shown.out


def test_rules_when_listed_then_every_rule_stands_under_its_area(command: Command) -> None:
    """The catalogue is whole, in the catalogue's order."""
    ran = command("rules")
    assert ran.code == 0
    words = ran.out.split()
    places = [words.index(rule.slug) for rule in RULES]
    assert places == sorted(places)
    for area in {rule.area.value.upper() for rule in RULES}:
        assert ran.out.splitlines().count(area) == 1
    assert "`drivewitness rules exclusions`" in " ".join(words)


def test_rules_when_the_exclusions_are_asked_for_then_their_table_is_printed(
    command: Command,
) -> None:
    """The table is that of docs/rules, and as a document it has every row."""
    page = (REPOSITORY / "docs" / "rules" / "exclusions.md").read_text(encoding="utf-8")
    assert command("rules", "exclusions").out == page
    rows = command("rules", "exclusions", "--json").document
    assert [row["paths"] for row in rows] == [list(row.paths) for row in EXCLUSIONS]
    assert all(row["source"] and row["why"] in page for row in rows)


def test_rules_when_one_is_named_then_its_page_is_printed(command: Command) -> None:
    """The page is that of docs/rules."""
    slug = RULES[0].slug
    page = (REPOSITORY / "docs" / "rules" / f"{slug}.md").read_text(encoding="utf-8")
    assert command("rules", slug).out == page
    assert [row["rule"] for row in command("rules", "--json").document] == [
        rule.slug for rule in RULES
    ]


def test_demo_when_run_from_elsewhere_then_all_verdicts_are_as_they_should_be(
    command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sound, stop, review, each told first and last; nothing is left behind."""
    monkeypatch.chdir(tmp_path)
    ran = command("demo", "--scratch", tmp_path)
    assert ran.code == 0
    heads = [
        line.split()[1]
        for line in ran.out.splitlines()
        if line.startswith(" ") and line[1:2] != " "
    ]
    assert heads == ["SOUND", "SOUND", "STOP", "STOP", "REVIEW", "REVIEW"]
    assert list(tmp_path.iterdir()) == []


def test_demo_when_the_machine_was_in_use_then_exactly_its_later_work_is_listed_to_copy(
    command: Command, tmp_path: Path
) -> None:
    """The builder's six files, each path whole, and nothing that the machine itself wrote."""
    ran = command("demo", "--scratch", tmp_path)
    third = ran.out[ran.out.index("3. THE CLONE") :]
    listed = third[third.index("TO COPY (6)") : third.index("WHAT WAS READ")]
    for path in running.six_files():
        assert f"/{path}" in listed
    assert listed.count("partition 3\n") == 1
    assert "Copperleaf" not in listed
    assert "Windows" not in listed
    assert str(tmp_path) not in ran.out


def test_demo_when_the_machine_was_in_use_then_the_clone_has_three_of_the_six_in_an_older_version(
    command: Command, tmp_path: Path
) -> None:
    """As the demo says of them: an older version, or none."""
    old, new = (unpack(name, tmp_path) for name in ("busy", "snapshot"))
    command("check", old, new, "--names", "--differences", tmp_path / "list.csv")
    with (tmp_path / "list.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["path"][1:] in running.six_files()]
    assert [bool(row["target_path"]) for row in rows].count(False) == 3
    assert len(rows) == 6


@pytest.mark.parametrize(
    ("words", "option", "told", "untold"),
    [
        (("jobs", "list"), "--customer", "Only jobs of this customer.", "an alias is enough"),
        (("identify",), "--depth", "[default: as much as for the job]", "else sample"),
    ],
)
def test_help_when_an_option_means_something_else_here_then_it_says_so(
    words: tuple[str, ...], option: str, told: str, untold: str, command: Command
) -> None:
    """Other commands have an option of that name, with another meaning or another default."""
    said = " ".join(command(*words, "--help").out.split())
    told_here = said[said.index(option) :]
    assert told in told_here
    assert untold not in told_here


def test_command_when_asked_for_its_version_then_it_is_the_package_s(command: Command) -> None:
    """`--version` needs no command."""
    ran = command("--version")
    assert (ran.code, ran.out) == (0, f"drivewitness {__version__}\n")


def test_command_when_it_fails_by_a_fault_of_ours_then_exit_70(
    command: Command, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An uncaught exception is a sentence and never a verdict; the traceback only on demand."""

    def fail(_path: str) -> NoReturn:
        raise ZeroDivisionError("\x1b[31mno")

    monkeypatch.setattr("verify.manifest.file.is_manifest", fail)
    monkeypatch.delenv("DRIVEWITNESS_TRACEBACK", raising=False)
    ran = command("show", manifest)
    ran.assert_one_sentence(70, "ZeroDivisionError", r"\x1b[31mno")
    monkeypatch.setenv("DRIVEWITNESS_TRACEBACK", "1")
    assert "Traceback" in command("show", manifest).err


def test_command_when_interrupted_then_exit_130_and_no_working_file_stays(
    drives: dict[str, Path], tmp_path: Path
) -> None:
    """Ctrl-C in the middle of a reading: SIGINT, as soon as the first working file is there."""
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "verify", "check", "--depth", "full"),
            *(str(drives["old"]), str(drives["sound"]), "--scratch", str(tmp_path)),
        ],
        cwd=REPOSITORY,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not any(tmp_path.glob("*/*")) and time.monotonic() < deadline:
        time.sleep(0.005)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_SECONDS)
    assert process.returncode == 130
    assert out == ""
    assert "interrupted" in err
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_command_when_the_console_has_an_old_code_page_then_names_still_come_out(
    tmp_path: Path,
) -> None:
    """A console that knows no other script gets escapes, not a failure."""
    image = tmp_path / "größe-写真.img"
    image.write_bytes(bytes(1 << 20))
    ran = subprocess.run(
        [sys.executable, "-m", "verify", "show", str(image)],
        cwd=REPOSITORY,
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "COLUMNS": "300"},
        check=False,
    )
    assert ran.returncode == 0
    assert rb"gr\xf6\xdfe-\u5199\u771f.img" in ran.stdout


def test_console_script_when_installed_then_it_is_the_same_command() -> None:
    """`drivewitness` stands beside the interpreter that runs the tests, where it was installed."""
    script = Path(sys.executable).parent / "drivewitness"
    if not script.exists():
        pytest.skip("the package is not installed in this environment")
    ran = subprocess.run([script, "--version"], check=True, capture_output=True, text=True)
    assert ran.stdout == f"drivewitness {__version__}\n"
