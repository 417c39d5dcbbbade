"""Messages in a stored document: English text where it stands, and once beside it what made it.

A document that may hold messages is a `Spoken`, and a field of it that may be one is a `Text`. It
stores the English text there, as any reader expects, and in `sentences` each text's template and
values. What is read back is held against its text: a template that does not give it is not used.
"""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Annotated, Any, Self

from pydantic import (
    BaseModel,
    ModelWrapValidatorHandler,
    WrapValidator,
    computed_field,
    model_validator,
)

from verify.text.message import Message, message_from

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_known: ContextVar[dict[str, Any]] = ContextVar("sentences")


def _as_message(value: object, read: Callable[[object], str]) -> str:
    if isinstance(value, Message):
        return value
    text = read(value)
    message = message_from(_known.get({}).get(text))
    return text if message is None or message != text else message


Text = Annotated[str, WrapValidator(_as_message)]
"""A text that may be a message; one of a document without `sentences` stays plain English."""


class Spoken(BaseModel):
    """A document that holds messages."""

    @computed_field  # type: ignore[prop-decorator]
    @property
    def sentences(self) -> dict[str, dict[str, Any]]:
        """What each English sentence of the document was made from: its template and values."""
        return {str(message): message.as_data() for message in _messages(self, self)}

    @model_validator(mode="wrap")
    @classmethod
    def _read(cls, document: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        stored = document.get("sentences") if isinstance(document, dict) else None
        with _knowing(stored if isinstance(stored, dict) else {}):
            return handler(document)


@contextmanager
def _knowing(sentences: dict[str, Any]) -> Iterator[None]:
    token = _known.set(sentences)
    try:
        yield
    finally:
        _known.reset(token)


def _messages(part: object, document: Spoken) -> Iterator[Message]:
    """Yield the messages of a document, but for those of a document within it."""
    if isinstance(part, Message):
        yield part
    elif isinstance(part, tuple | list):
        for item in part:
            yield from _messages(item, document)
    elif isinstance(part, BaseModel) and (part is document or not isinstance(part, Spoken)):
        for name in type(part).model_fields:
            yield from _messages(getattr(part, name), document)
    elif is_dataclass(part):
        for field in fields(part):
            yield from _messages(getattr(part, field.name), document)
