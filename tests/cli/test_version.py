"""What `--version` says, and what it adds for whoever asks where this was tried."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from verify.version import __version__

if TYPE_CHECKING:
    from tests.cli.command import Command


def test_version_when_asked_for_alone_then_it_is_one_line(command: Command) -> None:
    """The name and the number."""
    result = command("--version")
    assert (result.code, result.out) == (0, f"drivewitness {__version__}\n")


@pytest.mark.parametrize("order", [("--version", "--verbose"), ("--verbose", "--version")])
def test_version_when_verbose_then_it_says_what_was_never_tried(
    order: tuple[str, str], command: Command
) -> None:
    """As docs/systems.md has it, in either order."""
    result = command(*order)
    assert result.code == 0
    assert result.out.startswith(f"drivewitness {__version__}\n")
    assert "never on a real Windows machine" in result.out
    assert "macOS: never run" in result.out
