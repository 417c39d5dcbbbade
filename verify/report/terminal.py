"""What every screen is put together from.

Nothing is markup: each text is made harmless and put into a `Text` here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from verify.report.comparison_report import named_fact
from verify.report.harmless import harmless
from verify.report.language import say

if TYPE_CHECKING:
    from collections.abc import Iterable
    from io import StringIO
    from typing import TextIO

_SENTENCE_LONGEST = 900
_SECTION = "bold underline"


def console_for(stream: TextIO) -> Console:
    """Return a console on `stream` that takes every text as it stands."""
    return Console(file=stream, markup=False, emoji=False, highlight=False)


def console_on_paper(paper: StringIO, stream: TextIO) -> Console:
    """Return a console that draws on `paper` as it would on `stream`, to be written at once."""
    return Console(
        file=paper,
        width=console_for(stream).width,
        force_terminal=stream.isatty(),
        markup=False,
        emoji=False,
        highlight=False,
    )


def plain(text: str, style: str = "") -> Text:
    """Return a harmless text of a drive, of at most a name's length."""
    return Text(harmless(say(text)), style=style, overflow="fold")


def sentence(text: str, style: str = "") -> Text:
    """Return a harmless sentence, which may carry a drive's texts in it."""
    return Text(harmless(say(text), _SENTENCE_LONGEST), style=style, overflow="fold")


def section(console: Console, title: str, remark: str = "") -> None:
    """Begin a section."""
    console.print()
    heading = Text(say(title), style=_SECTION)
    console.print(heading + Text(f"  {say(remark)}") if remark else heading)


def facts_table(facts: Iterable[tuple[str, str]]) -> Table:
    """Return (word, value) lines as two columns."""
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True, style="dim")
    table.add_column()
    for word, value in facts:
        table.add_row(Text(say(word)), plain(named_fact(word, value)))
    return table
