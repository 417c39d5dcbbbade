"""Other languages: the words of a report, looked up in a gettext catalogue.

What is kept (manifests, comparisons, the JSON and CSV forms) is in English and never changes with
the reader. A sentence is put into another language where it is printed: it is recognised by the
template that made it, `Partition {0} has {1} files …`, and the values are set into the template's
translation, each looked up in the same way. So a report can be made again in any language from any
comparison, also from one that was filed years ago. What is in no catalogue stays as it is: a name
on a drive is never changed (`Named`).

Catalogues are PO files (GNU gettext), with numbered fields as `str.format` has them. Numbers and
dates follow the Unicode CLDR, through Babel.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from contextvars import ContextVar
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

ENGLISH = "en"
LANGUAGES = (ENGLISH, "de")
"""The languages that are shipped whole, by their codes (ISO 639-1)."""

_VARIABLES = ("LC_ALL", "LC_MESSAGES", "LANG")
"""The environment's languages, the first that is set counts (POSIX.1-2017, section 8.2)."""

_spoken: ContextVar[str] = ContextVar("language", default=ENGLISH)


class Named(str):
    """A name that stands on a drive, or was given by a person: the same in every language."""

    __slots__ = ()


def default_language() -> str:
    """Return the language of whoever runs the tool, as the environment tells it."""
    wanted = next((os.environ[name] for name in _VARIABLES if os.environ.get(name)), "")
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


def say(text: str) -> str:
    """Return a text in the language that is printed in, as far as its catalogue has it."""
    code = _spoken.get()
    if code == ENGLISH or isinstance(text, Named):
        return text
    return Named(_book(code).say(text))


def _book(code: str) -> Any:
    """Return a language's phrase book; nothing of it is loaded for whoever reads English."""
    return import_module("verify.report.phrasebook").phrasebook(code)
