"""The field of a document that may be a message: read back as one where its template is known.

Pydantic finds its schema by a method alone, so that a reader process, which uses no models, does
not load it.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from importlib import import_module
from typing import TYPE_CHECKING, Annotated, Any

from verify.text.message import Message, message_from

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_known: ContextVar[dict[str, Any]] = ContextVar("sentences")


@contextmanager
def knowing(sentences: object) -> Iterator[None]:
    """Read fields with the templates of a document, by the English text of each."""
    token = _known.set(sentences if isinstance(sentences, dict) else {})
    try:
        yield
    finally:
        _known.reset(token)


def _as_message(value: object, read: Callable[[object], str]) -> str:
    if isinstance(value, Message):
        return value
    text = read(value)
    message = message_from(_known.get({}).get(text))
    return text if message is None or message != text else message


class _MayBeMessage:
    def __get_pydantic_core_schema__(self, source: Any, handler: Callable[[Any], Any]) -> Any:
        schemas = import_module("pydantic_core.core_schema")
        return schemas.no_info_wrap_validator_function(_as_message, handler(source))


Text = Annotated[str, _MayBeMessage()]
"""A text that may be a message; one of a document without `sentences` stays plain English."""
