"""Sentences in the source that are no messages: they would stay English in every language."""

from __future__ import annotations

import ast
import re
from functools import cache
from typing import TYPE_CHECKING

from verify import errors

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_SEVERAL_WORDS = re.compile(r"[A-Za-z]{2,}[ ,;:)']+[a-zA-Z(]")
_MAKERS = frozenset({"say", "_", "counted"})
_STRUCTURES = frozenset({"StructureError", "TooMuch"})
"""Errors that carry a standard's own names of structures and fields."""

_NO_SENTENCE_BEGINS = ("/", "(?", "<", "@", "bold ")
"""How a path, a pattern, markup, a style sheet and a style begin."""


def plain_sentences(path: Path) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of strings of several words that no message is made of."""
    for node in _outside_messages(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.JoinedStr | ast.Constant):
            continue
        text = ""
        if isinstance(node, ast.JoinedStr):
            text = "".join(
                str(part.value) for part in node.values if isinstance(part, ast.Constant)
            )
        elif isinstance(node.value, str):
            text = node.value
        several = _SEVERAL_WORDS.search(text) and "\n" not in text
        if several and not text.startswith(_NO_SENTENCE_BEGINS):
            yield node.lineno, text


def _outside_messages(node: ast.AST) -> Iterator[ast.AST]:
    """Walk a module, and not into docstrings, errors, and the templates of messages."""
    if isinstance(node, ast.Raise | ast.Compare):
        return
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return
    inside = list(ast.iter_child_nodes(node))
    if isinstance(node, ast.Call) and getattr(node.func, "id", "") in _MAKERS:
        inside = [child for child in inside if not isinstance(child, ast.Constant)]
    yield node
    for child in [] if isinstance(node, ast.JoinedStr) else inside:
        yield from _outside_messages(child)
    if isinstance(node, ast.JoinedStr):
        for part in node.values:
            if isinstance(part, ast.FormattedValue):
                yield from _outside_messages(part.value)


def messages_in_f_strings(path: Path) -> list[int]:
    """Return the lines where a message is made inside an f-string."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    strings = (node for node in ast.walk(tree) if isinstance(node, ast.JoinedStr))
    calls = (item for node in strings for item in ast.walk(node) if isinstance(item, ast.Call))
    return [call.lineno for call in calls if getattr(call.func, "id", "") in _MAKERS]


def plain_in_errors(path: Path) -> Iterator[tuple[int, str]]:
    """Yield (line, text) of words given to an error of ours that no message is made of."""
    ours = _error_names() - _STRUCTURES
    for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(call, ast.Call) or getattr(call.func, "id", "") not in ours:
            continue
        for node in (node for given in call.args for node in _outside_messages(given)):
            if isinstance(node, ast.JoinedStr):
                yield node.lineno, ast.unparse(node)
            elif isinstance(node, ast.Constant) and " " in str(node.value):
                yield node.lineno, str(node.value)


@cache
def _error_names() -> frozenset[str]:
    found, new = set[type](), [errors.WitnessError]
    while new:
        found.add(kind := new.pop())
        new += kind.__subclasses__()
    return frozenset(kind.__name__ for kind in found)
