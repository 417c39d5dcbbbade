"""What a job could say and no option said: asked of a person, and never of a script."""

from __future__ import annotations

import io
import os
import pty
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from tests.archive.small import archive_of, filed, pair
from tests.conftest import REPOSITORY
from verify.archive.archive import make_archive, open_archive

if TYPE_CHECKING:
    from pathlib import Path

    from tests.cli.command import Command


class Person(io.StringIO):
    """Somebody at a terminal, who has typed these lines."""

    def isatty(self) -> bool:
        """Yes."""
        return True


def test_add_when_a_person_is_asked_then_answers_are_filed_and_output_holds_the_result_alone(
    tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was given is not asked for; an empty answer counts as no answer."""
    monkeypatch.setattr("sys.stdin", Person("C. Carr\n\n"))
    words = ("jobs", "add", "J-1", *pair(tmp_path), "--archive", tmp_path / "a")
    ran = command(*words, "--customer", "blue", "--ask", "--json")
    assert ran.document["verdict"]
    assert "Technician" in ran.err
    assert "Customer" not in ran.err
    assert "Job number" not in ran.err
    record = open_archive(tmp_path / "a").record("J-1")
    assert (record.technician, record.customer, record.notes) == ("C. Carr", "blue", None)


def test_add_when_nobody_is_there_then_nothing_is_asked(
    tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A script's input is never read; that of a person only with `--ask`."""
    for number, (there, more) in enumerate(
        ((io.StringIO("C. Carr\n"), ("--ask",)), (Person("C. Carr\n"), ()))
    ):
        monkeypatch.setattr("sys.stdin", there)
        words = ("jobs", "add", f"J-{number}", *pair(tmp_path), "--archive", tmp_path / "a")
        ran = command(*words, *more)
        assert "Technician" not in ran.err
        assert there.read() == "C. Carr\n"
        assert open_archive(tmp_path / "a").record(f"J-{number}").technician is None


@pytest.mark.parametrize("words", [("check",), ("jobs", "add"), ("jobs", "started")])
def test_ask_when_help_explains_it_then_it_promises_what_each_of_them_asks(
    words: tuple[str, ...], command: Command
) -> None:
    """The name and the customer are asked for by some commands only, and so are not promised."""
    said = " ".join(command(*words, "--help").out.split())
    told = said[said.index("--ask") :].partition(". ")[0]
    assert "the technician and notes" in told
    assert not [word for word in ("name", "customer") if word in told]


def test_check_when_even_the_name_is_asked_for_then_one_that_is_taken_is_told_at_once(
    tmp_path: Path, command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither the other questions nor the drives come before that."""
    archive = make_archive(tmp_path / "a")
    old, new = pair(tmp_path)
    filed(archive, "J-1", (old, new))
    monkeypatch.setattr("sys.stdin", Person("J-1\nC. Carr\n"))
    ran = command("check", old, new, "--archive", archive.root, "--ask")
    assert ran.code == 4
    assert "job J-1 already exists" in ran.err
    assert "Technician" not in ran.err
    monkeypatch.setattr("sys.stdin", Person("J-2\nC. Carr\nblue\nby hand\n"))
    command("check", old, new, "--archive", archive.root, "--ask")
    record = archive.record("J-2")
    assert (record.technician, record.customer, record.notes) == ("C. Carr", "blue", "by hand")


def test_started_when_a_person_sits_at_a_real_terminal_then_they_are_asked(tmp_path: Path) -> None:
    """A pseudo-terminal for input, a pipe for output: questions stand in neither's result."""
    archive = archive_of(tmp_path, 1)
    ours, theirs = pty.openpty()
    os.write(ours, b"C. Carr\nit started alone\n")
    try:
        ran = subprocess.run(
            [
                *(sys.executable, "-m", "verify", "jobs", "started", "J-1", "--ask"),
                *("--archive", str(archive.root)),
            ],
            stdin=theirs,
            capture_output=True,
            text=True,
            check=True,
            cwd=REPOSITORY,
        )
    finally:
        os.close(ours)
        os.close(theirs)
    assert ran.stdout == ""
    assert "Technician" in ran.stderr
    event = archive.entry("J-1~started").event
    assert event is not None
    assert (event.technician, event.reason) == ("C. Carr", "it started alone")
