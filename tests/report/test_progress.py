"""Progress is drawn on terminals only, and never a drive's own text as markup."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from rich.progress import Progress as RichProgress

from verify.report.progress import Bars, DriveBar
from verify.text.language import speaking

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


def _troubled(language: str) -> DriveBar:
    """Return the bar of a drive after an area of 50 s, a hundredth of the way, 60 s in."""
    now = [0.0]
    with speaking(language):
        bar = DriveBar(RichProgress(disable=True), "sdx", lambda: now[0])
    bar.expect(100_000_000_000)
    bar.advance(1_000_000_000)
    bar.failing(1, 0.0)
    now[0] = 60.0
    for _ in range(10):
        bar.failing(0, 5.0)
    return bar


def test_bar_when_reads_fail_then_the_end_is_foreseen() -> None:
    """60 s for a hundredth: 99 times as long are left, 99 minutes, which are 2 hours."""
    bar = _troubled("en")
    assert bar.trouble() == (
        "sdx: 1 unreadable area; failed reads took 50 s; about 2 h left at this rate"
    )
    bar.waiting(12.3)
    assert str(bar.trouble()).endswith("; no data from the drive for 12 s")
    bar.waiting(0)
    assert "no data" not in str(bar.trouble())


def test_bar_when_reads_fail_in_german_then_the_words_are() -> None:
    """In a thread, which does not know the language of the run."""
    bar = _troubled("de")
    bar.waiting(7)
    assert bar.trouble() == (
        "sdx: 1 unlesbarer Bereich; fehlgeschlagene Lesezugriffe: 50 s;"
        " bei diesem Tempo noch etwa 2 h; seit 7 s keine Daten vom Laufwerk"
    )


def test_bars_when_a_drive_gives_trouble_then_the_screen_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On a terminal of 80 columns the line stands below the bars, uncut."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    with Bars(stream) as bars:
        bars.drive("sdx").failing(1, 5.0)
    assert "sdx: 1 unreadable area; failed reads took 5 s so far" in stream.getvalue()
