"""The sentences that the source can say, found in its syntax: f-strings become templates."""

from __future__ import annotations

import ast
import re
from typing import TYPE_CHECKING

from tests.conftest import REPOSITORY

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_SEVERAL_WORDS = re.compile(r"[A-Za-z]{2,}[ ,;:)']+[a-zA-Z(]")
_WITH_FIELDS = re.compile(r"[a-z]{2,}.*\{| .*\{.*[a-z]{2,}|\}.* [a-z]{2,}")


def template_of(node: ast.JoinedStr) -> str:
    """Return an f-string as a template with numbered fields."""
    parts: list[str] = []
    for value in node.values:
        if isinstance(value, ast.Constant):
            parts.append(str(value.value))
        else:
            parts.append(f"{{{sum(part.startswith('{') for part in parts)}}}")
    return "".join(parts)


def strings_of(path: Path) -> Iterator[str]:
    """Yield the strings of a module, f-strings as templates, docstrings left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr):
            inside.add(id(node.value))
        elif isinstance(node, ast.JoinedStr):
            inside |= {id(value) for value in node.values if isinstance(value, ast.Constant)}
            for value in node.values:
                if isinstance(value, ast.FormattedValue) and value.format_spec is not None:
                    inside |= {id(item) for item in ast.walk(value.format_spec)}
    for node in ast.walk(tree):
        if id(node) in inside:
            continue
        if isinstance(node, ast.JoinedStr):
            yield template_of(node)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def sentences_in(folder: str, *, without: frozenset[str] = frozenset()) -> Iterator[str]:
    """Yield what a folder of the package says in more than one word."""
    for path in sorted((REPOSITORY / "verify" / folder).rglob("*.py")):
        if path.name in without:
            continue
        for text in strings_of(path):
            own = re.sub(r"\{\d+\}", "", text)
            if "\n" not in text and (
                _SEVERAL_WORDS.search(own) or ("{" in text and _WITH_FIELDS.search(text))
            ):
                yield text
