"""The settings: their order of weight, and that nothing in the file is passed over."""

from __future__ import annotations

import os
import tomllib
from typing import TYPE_CHECKING, get_args

import pytest

from verify.cli.options import DepthName, FormatName, PaperName
from verify.errors import SettingsUnusable, UsageError
from verify.manifest.base import Depth
from verify.report.formats import FORMATS as REPORT_FORMATS
from verify.report.pdf import PAPERS as PDF_PAPERS
from verify.settings.settings import DEPTHS, FORMATS, PAPERS, SETTINGS, Settings, read_settings
from verify.text.language import VARIABLE

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings file that this run would read; it is not there yet."""
    place = tmp_path / "settings.toml"
    monkeypatch.setenv("DRIVEWITNESS_SETTINGS", str(place))
    return place


def write(file: Path, text: str) -> None:
    """Write a settings file as its owner alone may change it."""
    file.write_text(text, encoding="utf-8")
    file.chmod(0o644)


def test_settings_when_nothing_is_set_then_the_defaults_hold() -> None:
    """Every field of the document has a setting, and each setting a field."""
    held = read_settings()
    assert held == Settings()
    told = {setting.name for setting in SETTINGS}
    assert told == set(Settings.__dataclass_fields__) - {"file", "origins"}


def test_settings_when_listed_then_their_words_are_those_of_the_options() -> None:
    """A depth, format or paper that an option has, the file has, too."""
    assert get_args(Depth) == tuple(DepthName) == DEPTHS
    assert {f".{name}" for name in FORMATS} == set(REPORT_FORMATS) - {".htm"}
    assert tuple(FormatName) == FORMATS
    assert set(PAPERS) == set(PDF_PAPERS) == set(PaperName)
    assert VARIABLE in {setting.variable for setting in SETTINGS}


def test_setting_when_file_and_variable_have_it_then_the_variable_counts(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Environment over file over default."""
    write(file, 'technician = "Rosa Lindgren"\ndepth = "full"\n')
    monkeypatch.setenv("DRIVEWITNESS_TECHNICIAN", "Ove Brandt")
    held = read_settings()
    assert (held.technician, held.depth, held.paper) == ("Ove Brandt", "full", "a4")
    assert held.origins == {"technician": "environment", "depth": "file"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('technican = "Rosa"', ["no setting technican", "Did you mean technician?"]),
        ("nonsense = 1", ["no setting nonsense", "--example"]),
        ('[archive]\nfolder = "/srv"', ["no setting archive.folder"]),
        ("technician = 7", ["technician should be a text"]),
        ('technician = ""', ["technician should be a text"]),
        ('technician = "a\\u001b[2Jb"', ["technician should be a text"]),
        ('depth = "deep"', ["depth should be one of layout, sample, full"]),
        ('names = "yes"', ["names should be true or false"]),
        ("shared = 1", ["shared should be true or false"]),
        ('formats = "html"', ["formats should be a list"]),
        ('formats = ["html", "docx"]', ["formats should be a list"]),
        ('archive = "jobs"', ["archive should be a full path"]),
        ('archive = "~/jobs"', ["archive should be a full path"]),
        ("archive = [", ["is not a settings file in TOML"]),
        ("paper = a4", ["line 1, column 9"]),
        ('paper = "a4"\npaper = "a4"', ["is not a settings file in TOML"]),
        ("formats = " + "[" * 5000, ["is not a settings file in TOML"]),
    ],
)
def test_file_when_something_in_it_is_wrong_then_that_is_said(
    file: Path, text: str, words: list[str], command: Command
) -> None:
    """Exit 2 and one sentence, also from a command that needs no setting."""
    write(file, text)
    command("rules").assert_one_sentence(2, str(file), *words)


def test_file_when_it_is_not_text_then_that_is_said(file: Path, command: Command) -> None:
    """TOML 1.0.0: a TOML file must be a valid UTF-8 encoded Unicode document."""
    file.write_bytes(b'technician = "R\xf6sa"\n')
    file.chmod(0o600)
    command("rules").assert_one_sentence(2, "it is not UTF-8")


@pytest.mark.parametrize(
    ("variable", "text"),
    [
        ("DRIVEWITNESS_DEPTH", "deep"),
        ("DRIVEWITNESS_LANGUAGE", "fr"),
        ("DRIVEWITNESS_NAMES", "perhaps"),
        ("DRIVEWITNESS_FORMATS", "html,docx"),
    ],
)
def test_variable_when_it_is_wrong_then_that_is_said(
    variable: str, text: str, monkeypatch: pytest.MonkeyPatch, command: Command
) -> None:
    """A typing error in the environment is no default."""
    monkeypatch.setenv(variable, text)
    command("rules").assert_one_sentence(2, variable, text)


def test_file_when_wrong_then_help_and_example_are_there_still(
    file: Path, command: Command
) -> None:
    """What tells how to put it right."""
    write(file, "nonsense = 1")
    assert command("--help").code == 0
    assert command("settings", "--example").code == 0
    command("settings").assert_one_sentence(2, "nonsense")


def test_file_when_named_and_not_there_then_that_is_said(file: Path, command: Command) -> None:
    """A typing error in its name is not silence."""
    command("rules").assert_one_sentence(4, str(file), "no such file")


def test_file_when_it_cannot_be_read_then_that_is_said(file: Path, command: Command) -> None:
    """A folder, a link, a pipe that nobody writes to, a file of megabytes."""
    file.mkdir()
    command("rules").assert_one_sentence(4, str(file))
    file.rmdir()
    file.symlink_to(os.devnull)
    command("rules").assert_one_sentence(4, "it is a link")
    file.unlink()
    os.mkfifo(file)
    command("rules").assert_one_sentence(4, "not an ordinary file")
    file.unlink()
    write(file, "#" * (1 << 17))
    command("rules").assert_one_sentence(4, "larger than 64 KiB")


@pytest.mark.parametrize("mode", [0o666, 0o620, 0o602])
def test_file_when_others_may_change_it_then_it_is_refused(
    mode: int, file: Path, command: Command
) -> None:
    """Whoever may write to it would decide for whoever reads drives."""
    write(file, 'depth = "layout"')
    file.chmod(mode)
    command("rules").assert_one_sentence(4, "users other than its owner may change it")


@pytest.mark.root
def test_file_when_it_is_another_users_then_it_is_obeyed_only_of_who_called_sudo(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """sudo(8): SUDO_UID is the user that invoked it."""
    write(file, 'depth = "full"')
    os.chown(file, 4711, 4711)
    with pytest.raises(SettingsUnusable, match="another user"):
        read_settings()
    monkeypatch.setenv("SUDO_UID", "4711")
    monkeypatch.setenv("SUDO_GID", "4711")
    assert read_settings().depth == "full"
    monkeypatch.setenv("SUDO_UID", "4712")
    with pytest.raises(SettingsUnusable):
        read_settings()


def test_file_when_it_lies_at_the_users_place_then_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification: XDG_CONFIG_HOME. A variable set to nothing: no file."""
    place = tmp_path / "home" / "drivewitness" / "settings.toml"
    place.parent.mkdir(parents=True)
    write(place, 'paper = "letter"')
    assert read_settings().paper == "letter"
    assert read_settings().file == place
    monkeypatch.setenv("DRIVEWITNESS_SETTINGS", "")
    assert read_settings() == Settings()


def test_example_when_every_line_is_set_then_it_is_a_settings_file(
    file: Path, command: Command
) -> None:
    """As printed it sets nothing; without the signs before its keys, everything."""
    example = command("settings", "--example").out
    assert not any(tomllib.loads(example).values())
    lines = [line.removeprefix("# ") if " = " in line else line for line in example.splitlines()]
    write(file, "\n".join(lines))
    document = command("settings", "--json").document
    assert {row["from"] for row in document["settings"]} == {"file"}
    assert [row["name"] for row in document["settings"]] == [one.key for one in SETTINGS]


def test_screen_when_read_then_each_value_says_where_it_is_from(
    file: Path, monkeypatch: pytest.MonkeyPatch, command: Command
) -> None:
    """Setting, value, origin."""
    write(file, 'technician = "Rosa Lindgren"\n')
    monkeypatch.setenv("DRIVEWITNESS_NAMES", "yes")
    monkeypatch.setenv("COLUMNS", "200")
    lines = [line.split() for line in command("settings").out.splitlines()]
    assert ["technician", "Rosa", "Lindgren", "settings", "file"] in lines
    assert ["names", "yes", "DRIVEWITNESS_NAMES"] in lines
    assert ["paper", "a4", "default"] in lines
    assert ["Settings", "file:", str(file)] in lines


def test_settings_when_shown_then_nothing_is_written(tmp_path: Path, command: Command) -> None:
    """No folder comes to be, nor a file."""
    assert command("settings", "--json").document["file"] is None
    assert list(tmp_path.iterdir()) == []


def test_example_when_json_is_asked_for_as_well_then_that_is_refused(command: Command) -> None:
    """One document at a time."""
    command("settings", "--example", "--json").assert_one_sentence(2, "--example")


def test_variable_when_text_has_lines_then_each_value_is_checked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A technician is one line."""
    monkeypatch.setenv("DRIVEWITNESS_TECHNICIAN", "Rosa\nLindgren")
    with pytest.raises(UsageError, match="one line"):
        read_settings()
