"""The command run in this process, with nothing of this user's own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.cli.command import Command

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no archive or key of this user be found."""
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    for name in ("DRIVEWITNESS_ARCHIVE", "DRIVEWITNESS_KEY"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Command:
    """Run the command line in this process and return what came of it."""
    return Command(capsys)
