"""What commands make of the settings: an option goes before each of them."""

from __future__ import annotations

import json
import subprocess
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings file that this run reads."""
    place = tmp_path / "settings.toml"
    place.touch(0o600)
    monkeypatch.setenv("DRIVEWITNESS_SETTINGS", str(place))
    return place


def test_job_when_filed_by_settings_then_archive_technician_and_depth_are_theirs(
    file: Path, drives: dict[str, Path], tmp_path: Path, command: Command
) -> None:
    """An option goes before each; a list of jobs is not narrowed by the technician of the file."""
    archive = tmp_path / "shop"
    file.write_text(f'archive = "{archive}"\ntechnician = "Rosa Lindgren"\ndepth = "layout"\n')
    pair = drives["old"], drives["sound"]
    assert command("check", *pair, "--job", "1").code == 1  # layout is never sound
    assert (
        command("check", *pair, "--job", "2", "--technician", "Ove", "--depth", "sample").code == 0
    )
    rows = {row["job"]: row for row in command("jobs", "list", "--json").document["jobs"]}
    assert (rows["1"]["technician"], rows["1"]["depth"]) == ("Rosa Lindgren", "layout")
    assert (rows["2"]["technician"], rows["2"]["depth"]) == ("Ove", "sample")
    assert (archive / "jobs" / "1").is_dir()


def test_check_when_the_archive_is_set_then_nothing_is_filed_without_a_job(
    file: Path, drives: dict[str, Path], tmp_path: Path, command: Command
) -> None:
    """A place is no order to file."""
    file.write_text(f'archive = "{tmp_path / "shop"}"\n')
    assert command("check", drives["old"], drives["sound"]).code == 0
    assert not (tmp_path / "shop").exists()


def test_drive_when_read_beside_a_manifest_then_it_is_read_as_that_was(
    file: Path, drives: dict[str, Path], manifest: Path, command: Command
) -> None:
    """Two samples are compared only if they were drawn alike: the settings do not come between."""
    file.write_text('depth = "layout"\n')
    document = command("check", manifest, drives["sound"], "--json").document
    assert document["verdict"] == "sound"


def test_report_when_its_name_has_no_ending_then_it_is_written_in_the_formats_set(
    file: Path, drives: dict[str, Path], tmp_path: Path, command: Command
) -> None:
    """Each format a file; `--format` goes before the settings, an ending before both."""
    file.write_text('formats = ["md", "json"]\nnames = true\n')
    comparison = tmp_path / "comparison.json"
    comparison.write_text(command("compare", drives["old"], drives["faulty"], "--json").out)
    out = tmp_path / "out"
    out.mkdir()
    assert command("report", comparison, "-o", out / "a").code == 0
    assert command("report", comparison, "-o", out / "b", "--format", "csv").code == 0
    assert command("report", comparison, "-o", out / "c.json", "--no-names").code == 0
    assert {path.name for path in out.iterdir()} == {"a.md", "a.json", "b.csv", "c.json"}
    assert json.loads((out / "a.json").read_text())["edition"] == "shop"
    assert json.loads((out / "c.json").read_text())["edition"] == "customer"


def test_archive_when_made_as_shared_then_it_is(
    file: Path, manifest: Path, tmp_path: Path, command: Command
) -> None:
    """chmod(1): setgid and the group's rights. One that is there keeps what it has."""
    file.write_text("shared = true\n")
    add = "jobs", "add", "1", manifest, manifest, "--archive"
    command(*add, tmp_path / "one")
    assert (tmp_path / "one" / "jobs" / "1").stat().st_mode & 0o7777 == 0o2770
    command(*add, tmp_path / "two", "--private")
    assert (tmp_path / "two" / "jobs" / "1").stat().st_mode & 0o7777 == 0o700
    again = "jobs", "add", "2", manifest, manifest, "--archive"
    command(*again, tmp_path / "two")
    assert (tmp_path / "two" / "jobs" / "2").stat().st_mode & 0o7777 == 0o700
    command(*again, tmp_path / "two", "--shared").assert_one_sentence(2, "is private")


def test_language_when_set_then_help_is_in_it_and_the_variable_goes_before(
    file: Path, monkeypatch: pytest.MonkeyPatch, command: Command
) -> None:
    """Option, our variable, the file, and only then the system's locale."""
    monkeypatch.setenv("LC_ALL", "en_GB.UTF-8")
    file.write_text('language = "de"\n')
    assert "Aufruf:" in command("--help").out
    assert "Usage:" in command("--help", "--lang", "en").out
    monkeypatch.setenv("DRIVEWITNESS_LANGUAGE", "en_US.UTF-8")
    assert "Usage:" in command("--help").out


@pytest.mark.root
@pytest.mark.tools("mkfs.ext4", "mount")
def test_file_when_it_lies_on_a_drive_that_is_read_then_that_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: Command
) -> None:
    """A stranger's drive says nothing about how it is checked; a variable set to nothing does."""
    image, mount = tmp_path / "drive.img", tmp_path / "mounted"
    with image.open("wb") as made:
        made.truncate(8 << 20)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    mount.mkdir()
    subprocess.run(["mount", "-o", "loop", str(image), str(mount)], check=True)
    try:
        (mount / "settings.toml").touch(0o600)
        monkeypatch.setenv("DRIVEWITNESS_SETTINGS", str(mount / "settings.toml"))
        command("show", image).assert_one_sentence(2, "settings file lies on", str(image))
        monkeypatch.setenv("DRIVEWITNESS_SETTINGS", "")
        assert command("show", image).code == 0
    finally:
        subprocess.run(["umount", str(mount)], check=True)
