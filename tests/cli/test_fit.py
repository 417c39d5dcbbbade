"""The command `fit`, and `check --fit`, on the demo's drives."""

from __future__ import annotations

import json
import stat
import subprocess
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

Drives = dict[str, "Path"]

NO_FIT = json.dumps(
    {
        "schema": "drivewitness.fit/1",
        "fits": False,
        "target": {"size_bytes": 1, "sector_bytes": 512},
        "partitions": [],
        "must_move_bytes": 5,
        "predictions": [],
    }
)
FIELDS = {"schema", "fits", "target", "partitions", "must_move_bytes", "predictions"}
ROW = {"number", "start_lba", "sectors", "was_start_lba", "was_sectors", "least_bytes"}
PREDICTION = {"rule", "level", "message", "advice"}


def test_fit_when_it_fits_then_the_document_has_all_fields(
    command: Command, manifest: Path
) -> None:
    """Exit 0; the fields of the contract, of the target, of each partition and prediction."""
    ran = command("fit", manifest, "--onto", "280 MiB", "--json")
    assert ran.code == 0
    document = ran.document
    assert set(document) >= FIELDS
    assert document["schema"] == "drivewitness.fit/1"
    assert document["fits"] is True
    assert document["must_move_bytes"] == 0
    assert document["target"]["size_bytes"] == 280 << 20
    assert document["target"]["sector_bytes"] == 512
    assert [row["number"] for row in document["partitions"]] == [1, 2, 3, 4]
    assert all(set(row) >= ROW for row in document["partitions"])
    assert all(set(item) >= PREDICTION for item in document["predictions"])
    assert "recovery-reference" in {item["rule"] for item in document["predictions"]}


def test_fit_when_it_does_not_fit_then_exit_3_names_what_is_missing(
    command: Command, drives: Drives
) -> None:
    """Exit 3, how much must move, and which folders and kinds hold it."""
    ran = command("fit", drives["old"], "--onto", "150 MiB", "--json")
    assert ran.code == 3
    assert ran.document["fits"] is False
    assert ran.document["must_move_bytes"] > 0
    assert f"{ran.document['must_move_bytes']:,}" in ran.document["refusal"]
    assert {item["kind"] for item in ran.document["holders"]} == {"folder", "kind"}


def test_fit_when_shown_then_picture_table_arithmetic_and_sizes_are_there(
    command: Command, manifest: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The view for people, at a fixed width and without colour."""
    monkeypatch.setenv("COLUMNS", "100")
    ran = command("fit", manifest, "--onto", "280 MiB", "--what-if", "256 GB", "150MiB")
    assert ran.code == 0
    assert ran.out.startswith(" OK FITS ")
    lines = ran.out.splitlines()
    old = next(line for line in lines if line.startswith("old  |"))
    new = next(line for line in lines if line.startswith("new  |"))
    assert len(new) < len(old) <= 100
    assert [word for word in new if word.isdigit()] == ["1", "2", "3", "4"]
    assert any("less partition 4" in line and "-33,554,432 B" in line for line in lines)
    assert any(line.startswith("256 GB") and " yes " in line for line in lines)
    assert any(line.startswith("150MiB") and " no " in line for line in lines)
    assert all(len(line) <= 100 for line in lines)


def test_check_when_the_clone_is_as_declared_then_its_change_is_a_note(
    command: Command, drives: Drives, manifest: Path, tmp_path: Path
) -> None:
    """The sound demo clone, held to a fit with its own layout: still sound."""
    fit = write_fit(command, manifest, drives["sound"], tmp_path)
    shown = command("show", drives["sound"], "--json").document
    held = json.loads(fit.read_text())
    for row, real in zip(held["partitions"], shown["partitions"], strict=True):
        row["start_lba"], row["sectors"] = real["start_lba"], real["sectors"]
    fit.write_text(json.dumps(held))
    ran = command("check", drives["old"], drives["sound"], "--fit", fit, "--json")
    sizes = [item for item in ran.document["findings"] if item["rule"] == "partition-size"]
    assert [item["level"] for item in sizes] == ["note"]
    assert "as the fit declares" in sizes[0]["message"]
    assert ran.code == command("check", drives["old"], drives["sound"], "--json").code


def test_compare_when_the_clone_departs_then_each_departure_is_a_finding(
    command: Command, drives: Drives, manifest: Path, tmp_path: Path
) -> None:
    """A fit that declares one MiB more for the system than the clone has."""
    fit = write_fit(command, manifest, drives["sound"], tmp_path)
    shown = command("show", drives["sound"], "--json").document
    held = json.loads(fit.read_text())
    for row, real in zip(held["partitions"], shown["partitions"], strict=True):
        row["start_lba"], row["sectors"] = real["start_lba"], real["sectors"]
    held["partitions"][2]["sectors"] += 2048
    held["partitions"][3]["start_lba"] += 2048
    fit.write_text(json.dumps(held))
    ran = command("compare", manifest, drives["sound"], "--fit", fit, "--json")
    assert ran.code == 1
    told = {(item["rule"], item["level"], item["partition"]) for item in ran.document["findings"]}
    assert ("partition-size", "review", 3) in told
    assert ("partition-bounds", "review", 4) in told


def write_fit(command: Command, manifest: Path, target: Path, folder: Path) -> Path:
    """Write the fit of the old drive onto the clone's drive."""
    file = folder / "job.fit"
    ran = command("fit", manifest, "--onto", target, "-o", file, "--json")
    assert ran.code == 0
    assert json.loads(file.read_text()) == ran.document
    return file


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--onto", "500 G"), "500 G: not a size"),
        *(
            ((f"--onto={text}",), f"{text.strip() or 'nothing'}: not a size")
            for text in ("nan", "inf", "-inf", "Infinity GB", "-5", "1e999", "1e3 GB", "5,00 GB")
        ),
        (("--onto= ",), "nothing: not a size"),
        (("--onto", "0"), "no drive has that size"),
        (("--onto", "9" * 5000), "no drive has that size"),
        (("--onto", "1." + "9" * 5000 + " TB"), "no drive has that size"),
        (("--onto", "280 MiB", "--what-if", "nan"), "nan: not a size"),
        (("--onto", "280 MiB", "--spare", "nan"), "not a share"),
        (("--onto", "280 MiB", "--free", "1e999%"), "not a share"),
        (("--onto", "280 MiB", "--shrink", "1"), "keeps its size"),
        (("--onto", "280 MiB", "--shrink", "8"), "no partition 8"),
        (("--onto", "280 MiB", "--spare", "seven"), "not a share"),
        (("--onto", "280 MiB", "--free", "95%"), "not a share"),
        (("--onto", "280 MiB", "--sector-bytes", "520"), "512 or 4096"),
        (("300 MiB", "--onto", "280 MiB"), "300 MiB"),
        (("--onto", "280 MiB", "--what-if", "many GB"), "many GB"),
    ],
)
def test_fit_when_called_wrongly_then_one_sentence_says_how(
    command: Command, manifest: Path, arguments: tuple[str, ...], words: str
) -> None:
    """Exit 2, or 4 where a drive of that name was looked for."""
    ran = command("fit", manifest, *arguments)
    ran.assert_one_sentence(4 if words == "many GB" else 2, words)


def test_fit_when_the_target_is_the_old_drive_then_it_is_refused(
    command: Command, drives: Drives
) -> None:
    """A drive does not go onto itself."""
    command("fit", drives["old"], "--onto", drives["old"]).assert_one_sentence(2, "itself")


def test_fit_when_the_file_is_there_then_only_another_fit_is_replaced(
    command: Command, manifest: Path, tmp_path: Path
) -> None:
    """Nothing is overwritten by a slip of the hand."""
    file = tmp_path / "job.fit"
    call = ("fit", manifest, "--onto", "280 MiB", "-o", file)
    assert command(*call).code == 0
    command(*call).assert_one_sentence(2, "already exists")
    assert command(*call, "--replace").code == 0
    file.write_text("not a fit")
    command(*call, "--replace").assert_one_sentence(2, "is not a fit")


@pytest.mark.parametrize(
    "given",
    [
        ("not json", 4, "is not a fit"),
        ('{"schema": "drivewitness.fit/2"}', 4, "is not a fit"),
        (NO_FIT, 2, "does not fit"),
    ],
)
def test_check_when_the_fit_cannot_be_used_then_nothing_is_read(
    command: Command, drives: Drives, tmp_path: Path, given: tuple[str, int, str]
) -> None:
    """No fit, a fit of a later schema, or one that says no."""
    text, code, words = given
    file = tmp_path / "job.fit"
    file.write_text(text)
    ran = command("check", drives["old"], drives["sound"], "--fit", file)
    ran.assert_one_sentence(code, words)


def test_check_when_the_fit_is_not_there_then_it_says_so(
    command: Command, drives: Drives, tmp_path: Path
) -> None:
    """A name that leads nowhere."""
    ran = command("check", drives["old"], drives["sound"], "--fit", tmp_path / "none.fit")
    ran.assert_one_sentence(4, "none.fit")


@pytest.mark.parametrize("name", ["new.sfdisk.sh", "new.parted.sh"])
def test_fit_when_a_script_is_asked_for_then_it_is_written_for_its_owner(
    name: str, command: Command, manifest: Path, tmp_path: Path
) -> None:
    """A file of mode 0600 that a shell can parse; nothing of it was run."""
    file = tmp_path / name
    ran = command("fit", manifest, "--onto", "280 MiB", "--script", file)
    assert ran.code == 0
    assert f"{file}: written. Read it" in ran.err
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert file.read_text(encoding="ascii").startswith("#!/bin/sh\n")
    subprocess.run(["sh", "-n", str(file)], check=True)
    assert [item.name for item in tmp_path.iterdir()] == [name]


def test_fit_when_it_does_not_fit_then_no_script_is_written(
    command: Command, manifest: Path, tmp_path: Path
) -> None:
    """Exit 3, and a sentence; a layout that is only to be aimed for is nobody's to run."""
    ran = command("fit", manifest, "--onto", "150 MiB", "--script", tmp_path / "new.sfdisk.sh")
    assert ran.code == 3
    assert "not written, because it does not fit" in ran.err
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("name", "word"), [("new.sh", ".sfdisk.sh"), ("there.sfdisk.sh", "already exists")]
)
def test_fit_when_a_script_may_not_be_written_then_it_is_refused(
    name: str, word: str, command: Command, manifest: Path, tmp_path: Path
) -> None:
    """An ending that names a program, and a new file."""
    (tmp_path / "there.sfdisk.sh").write_bytes(b"kept")
    ran = command("fit", manifest, "--onto", "280 MiB", "--script", tmp_path / name)
    ran.assert_one_sentence(2, word)
    assert (tmp_path / "there.sfdisk.sh").read_bytes() == b"kept"
