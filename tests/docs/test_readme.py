"""What README.md says can be done."""

from __future__ import annotations

import re

import pytest

from tests.conftest import REPOSITORY
from verify.cli.app import COMMANDS, GROUPS, run
from verify.errors import UsageError, WitnessError

README = (REPOSITORY / "README.md").read_text(encoding="utf-8")


def code_lines() -> list[str]:
    """Return the lines of README.md that stand in blocks of code."""
    return [line for block in README.split("```")[1::2] for line in block.splitlines() if line]


def test_readme_when_tried_then_two_lines_set_up_and_run_all() -> None:
    """One line for the demo and one for the tests, each from nothing."""
    lines = [line for line in code_lines() if line.startswith("python3 -m venv")]
    assert len(lines) == 2
    assert lines[0].endswith("drivewitness demo")
    assert lines[1].endswith("python -m pytest -q -n auto")


def test_readme_when_it_lists_commands_then_these_are_the_commands() -> None:
    """Nothing is promised that is not there, and nothing is there that is not reported."""
    told = {match[1] for line in code_lines() if (match := re.match(r"drivewitness (\w+) ", line))}
    assert told == {command.__name__ for command in COMMANDS} | GROUPS.keys()


@pytest.mark.parametrize("command", sorted(command.__name__ for command in COMMANDS))
def test_readme_when_it_names_options_then_the_command_has_them(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every option in an example is one of the command's."""
    monkeypatch.setenv("COLUMNS", "200")
    assert run([command, "--help"]) == 0
    shown = capsys.readouterr().out
    for line in code_lines():
        if f"drivewitness {command} " in line and not line.startswith("python3"):
            for option in re.findall(r" (--?[a-z][a-z-]*)", line.split("  ")[0]):
                assert re.search(rf"(^|[ ,]){re.escape(option)}\b", shown), line


@pytest.mark.parametrize("group", sorted(GROUPS))
def test_readme_when_it_shows_commands_of_a_group_then_they_have_these_options(
    group: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every example of a command in a group names one that is there, with options it has."""
    monkeypatch.setenv("COLUMNS", "200")
    lines = [line for line in code_lines() if f"drivewitness {group} " in line]
    assert lines
    for line in lines:
        words = line.split("  ")[0].split()
        assert run([group, words[words.index(group) + 1], "--help"]) == 0
        shown = capsys.readouterr().out
        for option in [word for word in words if word.startswith("-")]:
            assert re.search(rf"(^|[ ,]){re.escape(option)}\b", shown), line


def test_readme_when_it_lists_exits_then_they_are_those_of_the_errors() -> None:
    """The table of exit codes names 0, 1, 3, 2, 4, 70 and 130; errors use theirs of them."""
    codes = [int(match[1]) for match in re.finditer(r"^\| (\d+) \|", README, re.MULTILINE)]
    assert codes == [0, 1, 3, 2, 4, 70, 130]
    assert {WitnessError.exit_code, UsageError.exit_code} <= set(codes)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "docs/decisions/README.md"])
def test_page_when_it_links_then_the_other_end_is_there(page: str) -> None:
    """No link within the repository leads nowhere."""
    path = REPOSITORY / page
    for link in re.findall(r"\]\(([^)#:]+)\)", path.read_text(encoding="utf-8")):
        assert (path.parent / link).exists(), link
