"""Tab completes commands, options and their values in each shell, and reads no drive."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from verify.cli.app import COMMANDS, GROUPS

if TYPE_CHECKING:
    from pathlib import Path

COMPLETE = "_DRIVEWITNESS_COMPLETE"

TYPED = {
    "drivewitness ch": ["check"],
    "drivewitness audit ": ["plan", "report", "run"],
    "drivewitness check --conf": ["--confidence"],
    "drivewitness check old.img --depth ": ["full", "layout", "sample"],
    "drivewitness jobs add --arch": ["--archive"],
}
"""What is typed before Tab, and what may follow."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with an image, and the program on the path as it is installed."""
    (tmp_path / "bin").mkdir()
    program = tmp_path / "bin" / "drivewitness"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -I -m verify "$@"\n')
    program.chmod(0o755)
    (tmp_path / "old.img").write_bytes(bytes(1 << 20))
    return tmp_path


def ran(folder: Path, *command: str, **variables: str) -> list[str]:
    """Run something with the program on the path; return what it printed, line by line, sorted."""
    path = f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}"
    environment = {**os.environ, "HOME": str(folder), "PATH": path, **variables}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    return sorted(line for line in done.stdout.splitlines() if line)


BASH = """
eval "$(drivewitness --show-completion)"
COMP_WORDS=($1); [[ $1 == *" " ]] && COMP_WORDS+=("")
COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
_drivewitness_completion drivewitness
printf '%s\\n' "${COMPREPLY[@]}"
complete -p drivewitness
"""

ZSH = """
compdef() { true; }
_arguments() { print -r -- "$@"; }
_files() { print -r -- files; }
eval "$(drivewitness --show-completion)"
words=(${(s: :)1}); [[ $1 == *" " ]] && words+=("")
CURRENT=$#words
_drivewitness_completion
"""


@pytest.mark.tools("bash")
@pytest.mark.parametrize("typed", TYPED)
def test_bash_when_tab_is_pressed_then_it_offers_what_may_follow(folder: Path, typed: str) -> None:
    """Its own function answers; where that has nothing, bash completes file names (-o default)."""
    lines = ran(folder, "bash", "--norc", "-c", BASH, "bash", typed)
    registered = [line for line in lines if line.startswith("complete ")]
    assert [line for line in lines if line not in registered] == TYPED[typed]
    assert "-o default" in registered[0]


@pytest.mark.tools("zsh")
@pytest.mark.parametrize("typed", TYPED)
def test_zsh_when_tab_is_pressed_then_it_offers_what_may_follow(folder: Path, typed: str) -> None:
    """The words to choose from are handed to zsh's `_arguments`, each once."""
    said = " ".join(ran(folder, "zsh", "-f", "-c", ZSH, "zsh", typed))
    assert said.startswith("*: :((")
    for word in TYPED[typed]:
        assert said.count(f'"{word}"') == 1


@pytest.mark.tools("zsh")
def test_zsh_when_a_drive_is_to_follow_then_it_offers_files(folder: Path) -> None:
    """A drive or an image is a file to the shell."""
    assert ran(folder, "zsh", "-f", "-c", ZSH, "zsh", "drivewitness check ol") == ["files"]


@pytest.mark.tools("fish")
@pytest.mark.parametrize("typed", TYPED)
def test_fish_when_tab_is_pressed_then_it_offers_what_may_follow(folder: Path, typed: str) -> None:
    """Fish itself answers what it would offer (`complete -C`)."""
    script = "drivewitness --show-completion | source; complete -C $argv[1]"
    lines = ran(folder, "fish", "--no-config", "-c", script, typed)
    assert [line.partition("\t")[0] for line in lines] == TYPED[typed]


@pytest.mark.tools("fish")
def test_fish_when_a_drive_is_to_follow_then_it_offers_files(folder: Path) -> None:
    """A drive or an image is a file to the shell."""
    script = "drivewitness --show-completion | source; complete -C $argv[1]"
    assert ran(folder, "fish", "--no-config", "-c", script, "drivewitness check ol") == ["old.img"]


@pytest.mark.parametrize("command", [*(one.__name__ for one in COMMANDS), *GROUPS])
def test_description_when_an_option_has_a_long_one_then_it_is_one_line(
    folder: Path, command: str
) -> None:
    """A second line would be taken for a word to choose."""
    said = ran(
        folder,
        "drivewitness",
        **{COMPLETE: "complete_fish", "_TYPER_COMPLETE_FISH_ACTION": "get-args"},
        _TYPER_COMPLETE_ARGS=f"drivewitness {command} --",
    )
    assert said
    assert [line for line in said if not line.startswith("--")] == []
    assert [line for line in said if len(line) > 120 or "`" in line] == []


@pytest.mark.tools("strace")
def test_completion_when_an_image_is_named_then_it_is_not_opened(folder: Path) -> None:
    """Pressing Tab reads no drive and writes no file, and runs no other program."""
    asked = {COMPLETE: "complete_bash", "COMP_WORDS": "drivewitness check old.img --d"}
    words = ("strace", "-f", "-o", "calls", "-e", "trace=open,openat,execve", "drivewitness")
    assert ran(folder, *words, COMP_CWORD="3", **asked) == ["--depth", "--differences"]
    calls = (folder / "calls").read_text().replace('"/dev/null", O_RDWR', "")
    assert "old.img" not in calls.replace("old.img --d", "")
    assert "O_WRONLY" not in calls
    assert "O_RDWR" not in calls
    assert calls.count("execve(") == 2
