"""One run of the command line, and what came of it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import pytest

from verify.cli.app import run


@dataclass(frozen=True)
class Ran:
    """The exit code and both streams of one run."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """Standard output, which has to be one JSON document and nothing else."""
        return json.loads(self.out)

    def assert_one_sentence(self, code: int, *words: str) -> None:
        """Hold that it failed as it should: its exit, one line and perhaps a hint, no traceback."""
        assert self.code == code
        assert self.out == ""
        lines = self.err.splitlines()
        assert 1 <= len(lines) <= 2
        assert lines[0].startswith("drivewitness: ")
        assert lines[0].endswith(".")
        for word in words:
            assert word in self.err


@dataclass(frozen=True)
class Command:
    """Runs the command line in this process."""

    capsys: pytest.CaptureFixture[str]

    def __call__(self, *arguments: object) -> Ran:
        """Run it; arguments are anything that has a text."""
        self.capsys.readouterr()
        code = run([str(argument) for argument in arguments])
        captured = self.capsys.readouterr()
        return Ran(code, captured.out, captured.err)
