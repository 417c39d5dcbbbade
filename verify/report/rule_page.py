"""A rule's page as plain blocks, so that every format can print it in its own way."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import groupby

from verify.rules.catalogue import RULES
from verify.rules.rule import PAGE_HEADINGS
from verify.text.message import Message

_ITEM = "- "
_HEADING = "## "
WHY = PAGE_HEADINGS[1]
SOURCES = PAGE_HEADINGS[-1]
"""Citations, the same in every language."""


@dataclass(frozen=True, slots=True)
class Block:
    """A paragraph (one text), or a list of items."""

    texts: tuple[Message, ...]
    is_list: bool = False


@dataclass(frozen=True, slots=True)
class RulePage:
    """What stands in the catalogue of one rule: its fault, then (heading, blocks)."""

    slug: str
    title: Message
    required: bool
    sections: tuple[tuple[Message, tuple[Block, ...]], ...]

    @property
    def why(self) -> Message:
        """The first paragraph on why it matters: the consequence of its findings."""
        return dict(self.sections)[Message(WHY)][0].texts[0]


@cache
def rule_pages() -> dict[str, RulePage]:
    """Return the pages of all rules of this version, by slug."""
    return {rule.slug: _page(rule.slug, rule.page, required=rule.required) for rule in RULES}


def _page(slug: str, text: str, *, required: bool) -> RulePage:
    title, *parts = text.replace("`", "").split("\n" + _HEADING)
    sections = []
    for part in parts:
        heading, _, body = part.partition("\n")
        sections.append((Message(heading.strip()), tuple(_blocks(body))))
    return RulePage(slug, Message(title.splitlines()[0]), required, tuple(sections))


def _blocks(body: str) -> list[Block]:
    """Part a text at its empty lines, and each part into its items or its one paragraph."""
    found: list[Block] = []
    for filled, lines in groupby(body.splitlines(), key=lambda line: bool(line.strip())):
        if not filled:
            continue
        items = [""]
        is_list = False
        for line in lines:
            if line.startswith(_ITEM):
                items.append(line.removeprefix(_ITEM))
                is_list = True
            else:
                items[-1] = f"{items[-1]} {line.strip()}".strip()
        texts = tuple(Message(item) for item in items if item)
        if is_list and items[0]:
            found += [Block(texts[:1]), Block(texts[1:], is_list=True)]
        else:
            found.append(Block(texts, is_list=is_list))
    return found
