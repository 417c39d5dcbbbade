"""What every screen is put together from.

Nothing is markup: each text is made harmless and put into a `Text` here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from verify.report.answer import ANSWER_WORDS
from verify.report.harmless import harmless
from verify.report.words import MARKS
from verify.text.language import translated

if TYPE_CHECKING:
    from collections.abc import Iterable
    from io import StringIO
    from typing import TextIO

    from verify.report.answer import Answer

_SENTENCE_LONGEST = 900
_PATH_LONGEST = 4096
_WIDTH_LEAST, _WIDTH_UNKNOWN, _WIDTH_MOST = 20, 80, 1000
_COLOURS = {"sound": "green", "review": "yellow", "stop": "red"}
_TONES = {"yes": "sound", "not yet": "review", "no": "stop"}
_SECTION = "bold underline"


def console_for(stream: TextIO) -> Console:
    """Return a console on `stream` that takes every text as it stands."""
    console = Console(file=stream, legacy_windows=False, markup=False, emoji=False, highlight=False)
    # NOTE: COLUMNS may say anything. On a console without width Rich prints nothing at all.
    console.width = min(max(console.width or _WIDTH_UNKNOWN, _WIDTH_LEAST), _WIDTH_MOST)
    return console


def console_on_paper(paper: StringIO, stream: TextIO) -> Console:
    """Return a console that draws on `paper` as it would on `stream`, to be written at once."""
    return Console(
        file=paper,
        width=console_for(stream).width,
        force_terminal=stream.isatty(),
        legacy_windows=False,
        markup=False,
        emoji=False,
        highlight=False,
    )


def plain(text: str, style: str = "") -> Text:
    """Return a harmless text of a drive, of at most a name's length."""
    return Text(harmless(translated(text)), style=style, overflow="fold")


def whole(path: str, style: str = "") -> Text:
    """Return a path that a person has to find or copy: harmless, wrapped, and not cut short."""
    return Text(harmless(translated(path), _PATH_LONGEST), style=style, overflow="fold")


def sentence(text: str, style: str = "") -> Text:
    """Return a harmless sentence, which may carry a drive's texts in it."""
    return Text(harmless(translated(text), _SENTENCE_LONGEST), style=style, overflow="fold")


def section(console: Console, title: str, remark: str = "") -> None:
    """Begin a section."""
    console.print()
    heading = Text(translated(title), style=_SECTION)
    console.print(heading + Text(f"  {translated(remark)}") if remark else heading)


def badge(word: str, verdict: str) -> Text:
    """Return a word (or none) that is seen first, in a verdict's own mark and colour."""
    words = f" {MARKS[verdict]} {translated(word)}".rstrip()
    return Text(f"{words} ", style=f"bold reverse {_COLOURS[verdict]}")


def headline(mark: Text, text: str) -> Text:
    """Return a badge and the sentence behind it as one text, so that its lines end at words."""
    return Text.assemble(mark, " ", sentence(text, "bold"))


def print_answer(console: Console, answer: Answer, mark: Text | None = None) -> None:
    """Print the last line: may the drive be wiped, which one, and why."""
    console.print()
    console.print(answer_line(answer, mark))


def answer_line(answer: Answer, mark: Text | None = None) -> Text:
    """Return in one line: may the drive be wiped, which one, and why."""
    parts: list[Text] = [] if mark is None else [mark, Text(" ")]
    if answer.word is not None:
        word = translated(ANSWER_WORDS[answer.word])
        style = f"bold {_COLOURS[_TONES[answer.word]]}"
        parts += [Text(f"{translated(answer.question)} "), Text(f"{word}.", style=style), Text(" ")]
    parts.append(sentence(answer.why))
    if answer.facts:
        facts = ", ".join(harmless(translated(fact)) for fact in answer.facts)
        parts.append(Text(f" {translated(answer.title)}: {facts}."))
    return Text.assemble(*parts)


def facts_table(facts: Iterable[tuple[str, str]]) -> Table:
    """Return (word, value) lines as two columns."""
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True, style="dim")
    table.add_column()
    for word, value in facts:
        table.add_row(Text(translated(word)), plain(value))
    return table
