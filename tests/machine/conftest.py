"""The command run in this process."""

from __future__ import annotations

import pytest

from tests.cli.command import Command


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Command:
    """Run the command line in this process and return what came of it."""
    return Command(capsys)
