"""The languages of reports: a message is said by looking its template up in a gettext catalogue.

What is kept (manifests, comparisons, the JSON and CSV forms) is in English and never changes with
the reader. A message carries its template and values with it, also in a filed comparison, so that
a report can be made again in any language. Only messages are put into another language: a plain
`str` is a name, or a text of a document that is older than messages, and stays as it is.

Catalogues are PO files (GNU gettext). Numbers and dates follow the Unicode CLDR, through Babel.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any

from verify.text.message import Message, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.text.message import Value

ENGLISH = "en"
LANGUAGES = (ENGLISH, "de")
"""The languages that are shipped whole, by their codes (ISO 639-1)."""

VARIABLE = "DRIVEWITNESS_LANGUAGE"
"""The program's own variable for its language: a code of `LANGUAGES`."""

_VARIABLES = (VARIABLE, "LC_ALL", "LC_MESSAGES", "LANG")
"""The first that is set counts; the system's in the order of POSIX.1-2017, section 8.2."""

_spoken: ContextVar[str] = ContextVar("language", default=ENGLISH)


def default_language(of_system: str = "") -> str:
    """Return the language of whoever runs the tool, as the environment tells it.

    `of_system`: the name of a locale that the system has for its user; the environment goes first.
    """
    told = next((os.environ[name] for name in _VARIABLES if os.environ.get(name)), "")
    wanted = told or of_system
    code = wanted[:2].lower()
    return code if code in LANGUAGES else ENGLISH


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Print in a language, one of `LANGUAGES`, for as long as the context lasts."""
    token = _spoken.set(code)
    try:
        yield
    finally:
        _spoken.reset(token)


def spoken() -> str:
    """Return the code of the language that is printed in."""
    return _spoken.get()


def translated(text: str) -> str:
    """Return a text in the language that is printed in; what is no `Message` stays as it is."""
    if not isinstance(text, Message) or spoken() == ENGLISH:
        return str(text)
    return str(_catalogue(spoken()).said(text))


def _(template: str, /, **values: Value) -> str:
    """Return a sentence of ours in the language that is printed in."""
    return translated(say(template, **values))


@cache
def _catalogue(code: str) -> Any:
    """Return a catalogue; nothing of it is loaded for whoever reads English."""
    return import_module("verify.text.catalogue").read_catalogue(code)
