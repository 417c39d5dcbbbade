"""The catalogue of rules for people: the list by area, and the page of one rule."""

from __future__ import annotations

from itertools import groupby
from textwrap import fill
from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from verify.matching.exclusions import EXCLUSIONS
from verify.report.rule_page import rule_pages
from verify.report.terminal import section, sentence
from verify.text.language import ENGLISH, _, spoken, translated
from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from verify.report.rule_page import RulePage
    from verify.rules.rule import Rule

_WIDTH = 90
"""Letters of a line of a page."""

_AREAS = {
    "drive": say("DRIVE"),
    "table": say("TABLE"),
    "partition": say("PARTITION"),
    "filesystem": say("FILESYSTEM"),
    "contents": say("CONTENTS"),
    "boot": say("BOOT"),
    "recovery": say("RECOVERY"),
    "space": say("SPACE"),
    "alignment": say("ALIGNMENT"),
}


def catalogue_rows(rules: Sequence[Rule]) -> list[dict[str, str | bool]]:
    """Return the rules as plain rows, pages included."""
    return [
        {
            "rule": rule.slug,
            "area": rule.area.value,
            "required": rule.required,
            "summary": rule.summary,
            "page": rule.page,
        }
        for rule in rules
    ]


def print_catalogue(console: Console, rules: Sequence[Rule]) -> None:
    """Print every rule's name and subject, area by area; `+` marks those that `sound` needs."""
    console.print(sentence(say("+ is needed for the verdict `sound`")))
    for area, members in groupby(rules, key=lambda rule: rule.area):
        section(console, _AREAS[area.value])
        table = Table.grid(padding=(0, 1))
        table.add_column(no_wrap=True)
        table.add_column(no_wrap=True, min_width=24)
        table.add_column()
        for rule in members:
            table.add_row(
                "+" if rule.required else " ", Text(rule.slug), sentence(Message(rule.summary))
            )
        console.print(table)
    section(console, say("LEFT OUT ON PURPOSE"))
    console.print(
        sentence(
            say(
                "What may be missing or different on a good clone: see `drivewitness"
                " rules exclusions`."
            )
        )
    )


def exclusions_text() -> str:
    """Return the table of exclusions as Markdown text."""
    about = _(
        "What may be missing or different on a good clone, whatever its date"
        " says. Paths begin at the root of a volume; `*` stands for a name or a"
        " part of one, a `/` at the end for everything below. Nothing outside"
        " this table is excused."
    )
    lines = [
        "# exclusions",
        "",
        fill(about, _WIDTH),
        "",
        _("| paths | may excuse | on | level | why | source |"),
        "|---|---|---|---|---|---|",
    ]
    for row in EXCLUSIONS:
        paths = ", ".join(f"`{path}`" for path in row.paths)
        words = (row.excuses.value, row.volumes.value, row.level, row.why)
        lines.append(f"| {' | '.join((paths, *map(_, words), row.source))} |")
    return "\n".join(lines) + "\n"


def exclusion_rows() -> list[dict[str, str | list[str]]]:
    """Return the table of exclusions as plain rows."""
    return [
        {
            "paths": list(row.paths),
            "excuses": row.excuses.value,
            "volumes": row.volumes.value,
            "level": row.level,
            "why": row.why,
            "source": row.source,
        }
        for row in EXCLUSIONS
    ]


def rule_text(rule: Rule) -> str:
    """Return a rule's page as Markdown text: its name, whether `sound` needs it, its page."""
    area = say("Area *{area}*, not needed for `sound`.", area=Message(rule.area.value))
    if rule.required:
        area = say("Area *{area}*, needed for `sound`.", area=Message(rule.area.value))
    page = rule.page if spoken() == ENGLISH else _translated_page(rule_pages()[rule.slug])
    return f"# {rule.slug}\n\n{translated(area)}\n\n{page}\n"


def _translated_page(page: RulePage) -> str:
    """Return a page in the language that is printed in, its paragraphs filled anew."""
    parts = [fill(translated(page.title), _WIDTH)]
    for heading, blocks in page.sections:
        parts.append(f"## {translated(heading)}")
        for block in blocks:
            texts = [translated(text) for text in block.texts]
            if block.is_list:
                parts.append(
                    "\n".join(fill(f"- {it}", _WIDTH, subsequent_indent="  ") for it in texts)
                )
            else:
                parts.append(fill(texts[0], _WIDTH))
    return "\n\n".join(parts)
