"""The manual page prints without a warning, and names what every command takes."""

from __future__ import annotations

import re
import subprocess

import pytest

from docs.man_page import plain
from tests.conftest import REPOSITORY
from verify.cli.app import COMMANDS, GROUPS, run

PAGE = REPOSITORY / "docs" / "man" / "drivewitness.1"

EVERY_COMMAND = [
    *([command.__name__] for command in COMMANDS),
    *([group, name] for group, (_, commands) in GROUPS.items() for name in commands),
]


def printed(text: str) -> str:
    """Return what groff makes of a page, as plain text on one line; any warning fails."""
    command = ("groff", "-Tutf8", "-P-cbou", "-ww", "-man", "-rLL=10000n", "-rHY=0")
    done = subprocess.run(command, input=text, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return done.stdout


@pytest.mark.tools("man", "lexgrog")
def test_page_when_man_shows_it_then_nothing_is_warned_of() -> None:
    """Man's own way to ask (man(1): MANROFFSEQ, --warnings), and its index finds the name."""
    done = subprocess.run(
        ("man", "--warnings=w", "-l", str(PAGE)), capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    assert "drivewitness check SOURCE TARGET" in done.stdout
    found = subprocess.run(("lexgrog", str(PAGE)), capture_output=True, text=True, check=True)
    assert '"drivewitness - check that a drive was cloned completely' in found.stdout


@pytest.mark.tools("groff")
@pytest.mark.parametrize("words", EVERY_COMMAND, ids=" ".join)
def test_command_when_it_has_options_then_the_page_names_them(
    words: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What `--help` lists is in the command's part of the page, each option once."""
    monkeypatch.setenv("COLUMNS", "200")
    assert run([*words, "--help"]) == 0
    shown = capsys.readouterr().out
    asked = set(re.findall(r"^  (?:-\w, )?(--[a-z-]+)", shown, re.MULTILINE)) - {"--help"}
    page = printed(PAGE.read_text(encoding="utf-8"))
    (part,) = re.findall(
        rf"^   drivewitness {' '.join(words)}\b[^\n]*\n(.*?)(?=^\S|^   \S)",
        page,
        re.MULTILINE | re.DOTALL,
    )
    names = re.findall(r"^ {7}(?:-\w, )?(--[a-z-]+)", part, re.MULTILINE)
    assert sorted(names) == sorted(asked)


def test_page_when_the_program_asks_for_a_variable_then_it_is_named() -> None:
    """Every variable of ours that the code has in full."""
    code = [path.read_text(encoding="utf-8") for path in (REPOSITORY / "verify").rglob("*.py")]
    asked = set(re.findall(r"DRIVEWITNESS_[A-Z_]*[A-Z]", "".join(code)))
    assert len(asked) > 5
    named = re.findall(r"^\.B (DRIVEWITNESS_\w+)", PAGE.read_text(), re.MULTILINE)
    assert asked - set(named) == set()


@pytest.mark.tools("groff")
@pytest.mark.parametrize(
    "text", [".so /etc/passwd", "'br", r"\fBbold\fR \n(.x", '"a" `b` § Größe --x', "C:\\Users"]
)
def test_text_when_it_looks_like_a_request_then_it_is_printed(text: str) -> None:
    """No text of ours is taken for a request or an escape (groff(7))."""
    assert text in printed(f'.TH X 1 "" "x" "x"\n.SH NAME\n{plain(text)}\n')
