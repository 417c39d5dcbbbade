"""Messages in a stored document: English text where it stands, and once beside it what made it.

A document that may hold messages is a `Spoken`, and a field of it that may be one is a `Text`. It
stores the English text there, as any reader expects, and in `sentences` each text's template and
values. What is read back is held against its text: a template that does not give it is not used.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    ModelWrapValidatorHandler,
    computed_field,
    model_validator,
)

from verify.text.field import knowing
from verify.text.message import Message

if TYPE_CHECKING:
    from collections.abc import Iterator


def _with_sentences(schema: dict[str, Any]) -> None:
    """Add to a document's schema what it stores beside its fields."""
    schema["properties"]["sentences"] = {
        "title": "Sentences",
        "description": "By the English text of a sentence: its template (and `plural`, where"
        " `count` is not 1) and the values in its fields, which may be such rows themselves.",
        "type": "object",
        "additionalProperties": {"type": "object"},
        "default": {},
    }


class Spoken(BaseModel):
    """A document that holds messages."""

    model_config = ConfigDict(json_schema_extra=_with_sentences)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def sentences(self) -> dict[str, dict[str, Any]]:
        """What each English sentence of the document was made from: its template and values."""
        return {str(message): message.as_data() for message in _messages(self, self)}

    @model_validator(mode="wrap")
    @classmethod
    def _read(cls, document: Any, handler: ModelWrapValidatorHandler[Self]) -> Self:
        stored = document.get("sentences") if isinstance(document, dict) else None
        with knowing(stored):
            return handler(document)


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
