"""The whole program in German: help, refusals and screens hold no English sentence."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from tests.text.heard import english_words, words_of
from verify.cli.app import COMMANDS, GROUPS
from verify.text.language import VARIABLE

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command

CALLS = [
    (),
    *((command.__name__,) for command in COMMANDS),
    *((group,) for group in GROUPS),
    *((group, name) for group, (_, commands) in GROUPS.items() for name in commands),
]

QUOTED = re.compile(
    r"`[^`]*`|„[^“]*“|drivewitness [\w ]+|--\w[\w-]*|<[^>]*>|^  \w+ {2,}|\b[A-Z]{2,}\b|: filed",
    re.MULTILINE,
)
"""What stands the same in every language: commands, options, choices, names of values."""

NAMES = frozenset(
    {
        ("sample"),
        "layout",
        "full",
        "sound",
        "review",
        "stop",
        "note",
        "stick",
        "tables",
        ("differences"),
    }
)
"""Words that a person types, and German ones that are English elsewhere."""


def english_in(text: str) -> set[str]:
    """Return the words of a text that stand on the English side of the catalogue alone."""
    return words_of(QUOTED.sub(" ", text)) & english_words("de") - NAMES


@pytest.fixture(autouse=True)
def _german(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "de")


@pytest.mark.parametrize("call", CALLS, ids=" ".join)
def test_help_when_german_then_it_has_no_english_words(
    call: tuple[str, ...], command: Command
) -> None:
    """The library's own words included."""
    ran = command(*call, "--help")
    assert ran.code == 0
    assert "Aufruf: drivewitness" in ran.out
    assert english_in(ran.out) == set()


@pytest.mark.parametrize("call", CALLS, ids=" ".join)
def test_help_when_read_on_80_columns_then_no_summary_is_cut(
    call: tuple[str, ...], command: Command
) -> None:
    """In both languages: a summary that ends in dots has to be read twice."""
    for code in ("de", "en"):
        page = command(*call, "--help", "--lang", code).out
        assert max(map(len, page.splitlines())) <= 80
        assert not re.search(r"\w\.\.\.$", page, re.MULTILINE)


WRONG = [
    (),
    ("nope",),
    ("check",),
    ("check", "a"),
    ("check", "a", "b", "c"),
    ("check", "a", "b", "--nope"),
    ("check", "a", "b", "--depth", "deep"),
    ("check", "a", "b", "--retries", "x"),
    ("check", "a", "b", "--retries", "-1"),
    ("check", "a", "b", "--json=1"),
    ("check", "a", "b", "--seed"),
    ("check", "/nothing/here", "/nothing/there"),
    ("check", "/", "/"),
    ("show", "/dev/null"),
    ("capture", "/nothing", "-o", "/nothing/there"),
    ("report", "/nothing/c.json", "-o", "x.txt"),
    ("fit", "/nothing", "--onto", "long"),
    ("jobs", "list", "--archive", "/nothing"),
    ("audit", "report", "/nothing"),
    ("rules", "nope"),
]


@pytest.mark.parametrize("call", WRONG, ids=" ".join)
def test_refusal_when_german_then_it_has_no_english_words(
    call: tuple[str, ...], command: Command
) -> None:
    """What is wrong, and what to do, from the library and from us."""
    ran = command(*call)
    assert ran.code in {2, 4}
    assert english_in(ran.err) == set()


def test_language_when_given_as_an_option_then_it_counts_before_the_variable(
    command: Command,
) -> None:
    """Wherever on the line it stands, and in both spellings."""
    for words in (["--lang", "en"], ["--lang=en"]):
        assert "Usage:" in command("check", *words, "--help").out
    assert "cannot be used" not in command("check", "--help").out


def test_language_when_it_is_none_then_that_is_refused(command: Command) -> None:
    """The option itself is read like every other."""
    ran = command("show", "x", "--lang", "fr")
    ran.assert_one_sentence(2, "--lang", "de")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, drives: dict[str, Path]) -> Path:
    """An archive with a sound and a faulty job, a plan and a result of an audit, a fit."""
    from verify.cli.app import run  # noqa: PLC0415 - after the drives are there

    at = tmp_path_factory.mktemp("german")
    for job in ("sound", "faulty"):
        run(["jobs", "add", job, str(drives["old"]), str(drives[job]), "--archive", str(at / "a")])
    run(["audit", "plan", "--archive", str(at / "a"), "--seed", "1", "-o", str(at / "plan")])
    drive = f"sound={drives['sound']}"
    words = ["--archive", str(at / "a"), "--drive", drive, "-o", str(at / "result")]
    run(["audit", "run", str(at / "plan"), *words])
    return at


SCREENS = [
    ("show", "{old}"),
    ("show", "{faulty}"),
    ("drives",),
    ("rules",),
    ("fit", "{old}", "--onto", "280 MiB", "--what-if", "300 MiB", "-o", "{at}/fit"),
    ("fit", "{old}", "--onto", "120 MiB"),
    ("capture", "{old}", "-o", "{at}/old.manifest"),
    ("identify", "{sound}", "--archive", "{at}/a"),
    ("jobs", "list", "--archive", "{at}/a"),
    ("jobs", "show", "sound", "--archive", "{at}/a"),
    ("jobs", "verify", "--archive", "{at}/a"),
    ("jobs", "judge", "faulty", "--archive", "{at}/a"),
    ("jobs", "started", "sound", "--archive", "{at}/a"),
    ("jobs", "export", "-o", "{at}/jobs", "--archive", "{at}/a"),
    ("jobs", "key", "--key", "{at}/key"),
    ("audit", "plan", "--archive", "{at}/a"),
    ("audit", "report", "{at}/result"),
]

OF_DRIVES = re.compile(
    r"/[\w./ $-]+|Name +.*|Art +.*|\"[^\"]*\"|[\w-]+\.\w{2,4}\b|^[ +] [a-z-]+ |: [a-z]+-[a-z-]+$",
    re.MULTILINE,
)
"""What a drive, or a rule, is called: paths, names, labels, slugs."""


@pytest.mark.parametrize("call", SCREENS, ids=lambda call: "-".join(call[:2]).replace("{", ""))
def test_screen_when_german_then_it_has_no_english_words(
    call: tuple[str, ...], command: Command, folder: Path, drives: dict[str, Path]
) -> None:
    """Standard output and standard error, on the demo's drives."""
    places = {name: str(path) for name, path in drives.items()} | {"at": str(folder)}
    ran = command(*(word.format(**places) for word in call))
    assert ran.out + ran.err
    assert "Traceback" not in ran.err
    assert english_in(OF_DRIVES.sub(" ", ran.out + ran.err)) == set()


def test_json_when_german_then_it_is_the_english_document(
    command: Command, drives: dict[str, Path]
) -> None:
    """What programs read does not change with the reader."""
    call = ("fit", drives["old"], "--onto", "280 MiB", "--json")
    assert command(*call, "--lang", "de").out == command(*call, "--lang", "en").out


def test_demo_when_german_then_no_sentence_of_it_is_english(
    command: Command, tmp_path: Path
) -> None:
    """Its opening, titles and paragraphs as well as its checks; commands stay as they are."""
    ran = command("demo", "--scratch", tmp_path, "--lang", "de")
    assert "1. DER GUTE KLON" in ran.out
    assert "Alle drei Ergebnisse" in ran.out
    assert not [word for word in ("What it", "Three pairs", "THE ", "drive is") if word in ran.out]
