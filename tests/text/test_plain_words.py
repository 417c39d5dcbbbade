"""Coinages and riddles that were taken out of messages, pages, docstrings and comments stay out."""

from __future__ import annotations

import ast
import re
from itertools import groupby
from typing import TYPE_CHECKING

import pytest

from tests.conftest import REPOSITORY
from tests.text.extracted import extracted
from verify.rules.catalogue import RULES

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOT_SAID = (
    r"\b(?<!what )(is|are|was|were) (not )?told\b(?! apart| to\b| otherwise| what)",  # is reported
    r"(?<!there )\b(is|are) none\b",  # is missing, is damaged
    r"\bstands? against\b",  # a reason to keep the drive
    r"\b(finding|rule|file|problem)\(s\)",
    r"\bto and fro\b",  # head seeks
    r"\bin front of its partition\b",  # records start sector
    r"\bbehind a step\b",  # misaligned by
    r"\bunder one modification time\b",  # although their dates match
    r"\bnames? the drive it is on\b",  # stores its own drive's identity
    r"\bits ending names no format\b",  # unknown file type
    r"\bholds? nothing but zeros\b",  # is all zeros
    r"\bdecides? nothing\b",  # does not matter
    r"\bcontents are proven\b",  # were read and match
    r"\bby intent\b",  # on purpose
    r"\bwhat (copies|a copy) leaves? out\b",  # left out on purpose by cloning tools
    r"\bdrive that turns\b",  # spinning disk
    r"\bgives way\b",  # is resized
    r"\b(a|the) way of (a|the) head\b",  # head seeks
    r"\bof (a damaged one|one that is not),? (it|nothing) is\b",  # the damage is reported
)
WORDS = re.compile("|".join(NOT_SAID), re.IGNORECASE)

PAGES = sorted(
    path.relative_to(REPOSITORY).as_posix()
    for path in [*REPOSITORY.glob("*.md"), *(REPOSITORY / "docs").rglob("*.md")]
)
MODULES = [
    path for room in ("verify", "tests") for path in sorted((REPOSITORY / room).rglob("*.py"))
]


def riddles(text: str) -> list[str]:
    """Return what of a text a colleague would not say."""
    return [found[0] for found in WORDS.finditer(" ".join(text.split()))]


def remarks(path: Path) -> Iterator[str]:
    """Yield the docstrings of a module, and each run of lines that are comments alone."""
    source = path.read_text(encoding="utf-8")
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield str(node.value.value)
    lines = (line.strip() for line in source.splitlines())
    for is_comment, run in groupby(lines, key=lambda line: line.startswith("#")):
        if is_comment:
            yield " ".join(line.lstrip("#! ") for line in run)


def test_messages_when_read_then_none_is_a_riddle() -> None:
    """Every sentence that a screen, an error or a report can say."""
    texts = [part for item in extracted() for part in ((item,) if isinstance(item, str) else item)]
    assert [(found, text) for text in texts if (found := riddles(text))] == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.slug)
def test_rule_page_when_read_then_it_is_plain(rule: object) -> None:
    """The page that `rules RULE` prints."""
    assert riddles(rule.page) == []  # type: ignore[attr-defined]


@pytest.mark.parametrize("page", PAGES)
def test_page_when_read_then_it_is_plain(page: str) -> None:
    """README, DEVELOPERS and docs, written by hand or generated."""
    assert riddles((REPOSITORY / page).read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("room", ["verify", "tests"])
def test_code_when_read_then_docstrings_and_comments_are_plain(room: str) -> None:
    """What a newcomer reads in the code is said as a colleague would say it."""
    modules = [path for path in MODULES if (REPOSITORY / room) in path.parents]
    read = [(path, text) for path in modules for text in remarks(path)]
    assert len(read) > len(modules) > 0
    assert [
        (path.relative_to(REPOSITORY).as_posix(), found, text)
        for path, text in read
        if (found := riddles(text))
    ] == []
