"""JSON documents that somebody who means harm could write: each differs from a valid one once."""

from __future__ import annotations

import copy
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_MARK = "put the token here"
_DEEP = 100_000

TOKENS = (
    "null",
    "true",
    "0",
    "-1",
    "1.5",
    f"{(1 << 63) - 1}",
    f"{1 << 64}",
    "1" + "0" * 400,
    "1" * 5000,
    "1e999",
    "-1e999",
    "NaN",
    "Infinity",
    '""',
    '"x"',
    '"\\ud800"',
    '"\\u0000\\u001b[31m"',
    f'"{"a" * 70_000}"',
    "[]",
    "{}",
    "[[1, 2]]",
    '["x"]',
    '{"x": 1}',
    "[" * _DEEP,
    '{"a":' * _DEEP,
    "[" * _DEEP + "]" * _DEEP,
)
"""Other types, both ends of ranges, what RFC 8259 has no word for, depth."""


def mutations(document: Any, every: int = 1, first: int = 0) -> Iterator[tuple[str, str]]:
    """Yield (what was changed, text) of the document with one value exchanged, or a key doubled.

    Each value of the document is exchanged for every token; of all these, one in `every` is
    yielded, from `first` on.
    """
    changes = (
        (f"{'.'.join(map(str, place))} = {token[:30]}", place, token)
        for place in _places(document)
        for token in (*TOKENS, "twice")
    )
    for number, (what, place, token) in enumerate(changes):
        if (number + first) % every == 0:
            yield what, _changed(document, place, token)


def _places(value: Any, place: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if place:
        yield place
    inside: Iterable[tuple[Any, Any]] = value.items() if isinstance(value, dict) else ()
    inside = enumerate(value[:2]) if isinstance(value, list) else inside
    for name, item in inside:
        yield from _places(item, (*place, name))


def _changed(document: Any, place: tuple[Any, ...], token: str) -> str:
    changed = copy.deepcopy(document)
    holder = changed
    for name in place[:-1]:
        holder = holder[name]
    before = json.dumps(holder[place[-1]])
    holder[place[-1]] = _MARK
    if token == "twice":  # noqa: S105 - no password
        token = before
        if isinstance(holder, dict):
            token = f"{before}, {json.dumps(place[-1])}: []"
    return json.dumps(changed, separators=(",", ":")).replace(f'"{_MARK}"', token)
