"""Messages held against a catalogue: what of them would stay English."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from babel.messages.pofile import read_po

from tests.text.extracted import has_words
from verify.text.message import Message

if TYPE_CHECKING:
    from collections.abc import Iterator

    from babel.messages.catalog import Catalog
    from pydantic import BaseModel

_WORD = re.compile(r"(?<![/\\\w.-])[^\W\d_]{3,}(?![/\\\w-])")
"""A word that stands alone: no part of a path, of a device's name or of an identifier."""


@cache
def catalogue(code: str) -> Catalog:
    """Return a catalogue as it is shipped."""
    with files("verify.text").joinpath(f"languages/{code}.po").open("rb") as file:
        return read_po(file, locale=code, abort_invalid=True)


@cache
def templates(code: str) -> dict[str | tuple[str, ...], str | tuple[str, ...]]:
    """Return each entry of a catalogue and what it is there; the header left out."""
    return {_forms(item.id): _forms(item.string or "") for item in catalogue(code) if item.id}


def _forms(text: str | tuple[str, ...] | list[str]) -> str | tuple[str, ...]:
    return text if isinstance(text, str) else tuple(text)


def words_of(text: str) -> set[str]:
    """Return the words of a text, in small letters."""
    return {word.lower() for word in _WORD.findall(text)}


@cache
def english_words(code: str) -> frozenset[str]:
    """Return the words that stand on the English side of a catalogue alone."""
    here, there = set[str](), set[str]()
    for english, other in templates(code).items():
        here |= words_of(english if isinstance(english, str) else " ".join(english))
        there |= words_of(other if isinstance(other, str) else " ".join(other))
    return frozenset(here - there)


def parts_of(message: Message) -> Iterator[Message]:
    """Yield a message and all that stand in it."""
    yield message
    for value in message.values.values():
        if isinstance(value, Message):
            yield from parts_of(value)


def names_of(message: Message) -> set[str]:
    """Return the plain texts in a message, which no language changes."""
    values = [value for part in parts_of(message) for value in part.values.values()]
    return {value for value in values if isinstance(value, str) and not isinstance(value, Message)}


def names_in(document: BaseModel) -> set[str]:
    """Return the plain texts of a document, and those within its messages."""
    return set(_names_in(document.model_dump()))


def _names_in(part: object) -> Iterator[str]:
    if isinstance(part, Message):
        yield from names_of(part)
    elif isinstance(part, str):
        yield part
    elif isinstance(part, dict | list | tuple):
        for item in part.values() if isinstance(part, dict) else part:
            yield from _names_in(item)


def untranslated(text: str, code: str) -> list[str]:
    """Return what of a text would stay English: all of a plain one, templates, words as values."""
    if not isinstance(text, Message):
        return [text]
    found = []
    for part in parts_of(text):
        key = part.template if part.plural is None else (part.template, part.plural)
        if has_words(part.template) and key not in templates(code):
            found.append(part.template)
    names = [name for name in names_of(text) if not name.isupper()]
    return found + [name for name in names if words_of(name) & english_words(code)]
