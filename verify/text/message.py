"""A sentence of ours kept as data: the English text, and the template and values it is made from.

`say("Partition {number} is missing.", number=3)` is the English text, a `str` like any other, that
still knows its template; another language looks the template up and sets the same values into it.
A value is a number, a date, another message (a word of ours, a reason, a size), or a plain `str`: a
name from a drive, the same in every language. So is a template without letters.

A field is `{name}`. `{name:,}`, `{name:.2f}`, `{name:.1%}` and `{name:g}` write a number as
`str.format` does; `{name:clause}` sets a sentence in as the end of another one: no full stop, and
in English no capital. Nothing else of `str.format` works: templates are read from documents too.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

FIELD = re.compile(r"\{(\w+)(?::(clause|,?(?:\.\d)?[fg%]?))?\}")

_DEEPEST = 12
"""Messages within messages that are read back from a document: no rule makes as many."""

Value = str | int | float | date
"""What stands in a field: a number, a day or a moment in UTC, a message, or a name."""


class Message(str):
    """The English text of a sentence, with the template and the values that it is made from.

    `plural`: the template where the value `count` is not 1.
    """

    __slots__ = ("plural", "template", "values")

    template: str
    plural: str | None
    values: dict[str, Value]

    def __new__(
        cls, template: str, values: Mapping[str, Value] | None = None, plural: str | None = None
    ) -> Self:
        """Make the English text."""
        kept = dict(values or {})
        chosen = template if plural is None or kept["count"] == 1 else plural
        made = super().__new__(cls, filled(chosen, kept, _in_english))
        made.template, made.values, made.plural = template, kept, plural
        return made

    def __getnewargs__(self) -> tuple[Any, ...]:
        """Return what a copy is made from."""
        return self.template, self.values, self.plural

    def with_names(self, change: Callable[[str], str]) -> Message:
        """Return the same sentence with every name in it changed."""

        def changed(value: Value) -> Value:
            if isinstance(value, Message):
                return value.with_names(change)
            return change(value) if isinstance(value, str) else value

        values = {name: changed(value) for name, value in self.values.items()}
        return Message(self.template, values, self.plural)

    def as_data(self) -> dict[str, Any]:
        """Return the template and the values as a JSON document has them."""
        values = {name: _value_as_data(value) for name, value in self.values.items()}
        data = {"template": self.template, "plural": self.plural, "values": values}
        return {name: part for name, part in data.items() if part}


def say(template: str, /, **values: Value) -> Message:
    """Return a sentence, or a part of one, with these values in its fields."""
    return Message(template, values)


def counted(singular: str, plural: str, /, count: int, **values: Value) -> Message:
    """Return the sentence for one thing, or for `count` of them; `{count}` is a field of it."""
    return Message(singular, values | {"count": count}, plural)


def joined(parts: Iterable[str], separator: str = ", ") -> Message:
    """Return the parts as a list; the separator is punctuation, the same in every language."""
    values = {str(number): part for number, part in enumerate(parts)}
    return Message(separator.join(f"{{{number}}}" for number in values), values)


def worded(value: object) -> str:
    """Return a value as text; a message stays one."""
    return value if isinstance(value, str) else str(value)


def all_of(parts: Sequence[str]) -> Message:
    """Return the parts as a list with "and" before the last."""
    if len(parts) == 1:
        return say("{part}", part=parts[0])
    return say("{one} and {other}", one=joined(parts[:-1]), other=parts[-1])


def message_from(data: object, deepest: int = _DEEPEST) -> Message | None:
    """Return the message that a document holds; `None`: it is damaged."""
    if not isinstance(data, dict) or not deepest:
        return None
    template, plural, stored = data.get("template"), data.get("plural"), data.get("values", {})
    if not isinstance(template, str) or not isinstance(stored, dict):
        return None
    try:
        values = {str(name): _value_from(value, deepest - 1) for name, value in stored.items()}
        return Message(template, values, plural if isinstance(plural, str) else None)
    except (KeyError, ValueError, TypeError, OverflowError):
        return None


def packed(part: Any) -> Any:
    """Return what JSON can carry, with each message as its data: `unpacked` is its way back."""
    if isinstance(part, Message):
        return part.as_data()
    if isinstance(part, dict):
        return {name: packed(value) for name, value in part.items()}
    return [packed(item) for item in part] if isinstance(part, list | tuple) else part


def unpacked(row: dict[str, Any]) -> Any:
    """Return the message that a row of JSON is, or the row: `json.loads` calls it for each."""
    return message_from(row) or row if "template" in row else row


def _value_as_data(value: Value) -> Any:
    if isinstance(value, Message):
        return value.as_data()
    if isinstance(value, date):
        return {"date": value.isoformat()}
    # NOTE: what is counted in columns is a number of numpy's, which JSON does not know.
    return value if isinstance(value, str | int | float) else int(value)


def _value_from(stored: object, deepest: int) -> Value:
    """Return a value of a message that was stored.

    Raises:
        ValueError: it is malformed.
    """
    match stored:
        case str() | int() | float():
            return stored
        case {"date": str(day)}:
            return datetime.fromisoformat(day) if "T" in day else date.fromisoformat(day)
    part = message_from(stored, deepest)
    if part is None:
        raise ValueError(stored)
    return part


def filled(template: str, values: Mapping[str, Value], shown: Callable[[Value, str], str]) -> str:
    """Return a template with its values set in, each as `shown` (value, format) has it.

    Raises:
        KeyError, ValueError: a field has no value, or one that its format is not for.
    """
    return FIELD.sub(lambda found: shown(values[found[1]], found[2] or ""), template)


def _in_english(value: Value, form: str) -> str:
    if form == "clause":
        return _as_clause(str(value))
    if isinstance(value, datetime):
        # NOTE: not by %Y, which each system's library fills up with zeros as it likes.
        return f"{value.date().isoformat()} {value.hour:02}:{value.minute:02} UTC"
    return format(value, form)


def _as_clause(sentence: str) -> str:
    """Return a sentence as the end of another one; an abbreviation keeps its capitals."""
    is_word = sentence[1:2].islower() or sentence[1:2] == " "
    return (sentence[:1].lower() + sentence[1:] if is_word else sentence).rstrip(".")
