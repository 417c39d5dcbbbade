"""Progress is drawn on terminals only, and never a drive's own text as markup."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from verify.report.progress import Bars, DriveBar

if TYPE_CHECKING:
    import pytest

    from verify.capture.progress import Progress


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Say so."""
        return True


def _run(stream: io.StringIO) -> list[Progress]:
    with Bars(stream) as bars:
        drives = [bars.drive("old [bold]\x1b]0;x"), bars.drive("new")]
        for drive in drives:
            drive.phase("listing partition 3 [red]")
            drive.expect(1000)
            drive.advance(400)
            drive.expect(1000)
            drive.advance(600)
    return drives


def test_bars_when_the_stream_is_no_terminal_then_nothing_is_written() -> None:
    """A log file or a pipe gets no bars."""
    stream = io.StringIO()
    drives = _run(stream)
    assert stream.getvalue() == ""
    assert not any(isinstance(drive, DriveBar) for drive in drives)


def test_bars_when_the_stream_is_a_terminal_then_each_drive_has_a_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Both names, and half of what was expected: 1,000 of 2,000 bytes, on a terminal's width."""
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    _run(stream)
    text = stream.getvalue()
    assert "[bold]" in text
    assert "new" in text
    assert "50%" in text
    assert "[progress" not in text
    assert "listing partition 3" in text
    assert "\x1b]0" not in text


def test_bars_when_no_color_is_set_then_no_colour_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    """NO_COLOR (no-color.org): no SGR parameter 30 to 49 or 90 to 107 (ECMA-48, 8.3.117)."""
    monkeypatch.setenv("TERM", "xterm")
    coloured, plain = Terminal(), Terminal()
    monkeypatch.delenv("NO_COLOR", raising=False)
    _run(coloured)
    monkeypatch.setenv("NO_COLOR", "1")
    _run(plain)
    assert _colours(coloured.getvalue())
    assert not _colours(plain.getvalue())


def _colours(text: str) -> set[int]:
    found: set[int] = set()
    for piece in text.split("\x1b[")[1:]:
        parameters, mark, _ = piece.partition("m")
        if mark and parameters.replace(";", "").isdigit():
            found |= {int(number) for number in parameters.split(";")}
    return {number for number in found if 30 <= number <= 49 or 90 <= number <= 107}
