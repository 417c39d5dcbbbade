"""A gettext catalogue: a message's template in another language, with its values set in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from gettext import GNUTranslations
from importlib.resources import files
from io import BytesIO
from typing import TYPE_CHECKING

from babel import Locale
from babel.dates import format_date, format_time
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import get_decimal_symbol, get_group_symbol

from verify.text.message import Message, filled

if TYPE_CHECKING:
    from verify.text.message import Value


@dataclass(frozen=True, slots=True)
class Catalogue:
    """One language: its code, its templates, and how it writes the signs in a number."""

    code: str
    templates: GNUTranslations
    signs: dict[int, str]

    def said(self, message: Message) -> str:
        """Return a message in this language; a template that is not in it stays English."""
        count = message.values.get("count")
        if message.plural is not None and isinstance(count, int):
            template = self.templates.ngettext(message.template, message.plural, count)
        else:
            template = self.templates.gettext(message.template)
        return filled(template, message.values, self._value)

    def _value(self, value: Value, form: str) -> str:
        if isinstance(value, str):
            text = self.said(value) if isinstance(value, Message) else value
            return text.rstrip(".") if form == "clause" else format(text, form)
        if isinstance(value, date):
            return self._day(value)
        return format(value, form).translate(self.signs)

    def _day(self, day: date) -> str:
        told = format_date(day, "medium", locale=self.code)
        if not isinstance(day, datetime):
            return told
        return f"{told}, {format_time(day, 'short', tzinfo=day.tzinfo, locale=self.code)} UTC"


def read_catalogue(code: str) -> Catalogue:
    """Return the catalogue of a language that is shipped."""
    shipped = files("verify.text").joinpath(f"languages/{code}.po").read_bytes()
    compiled = BytesIO()
    write_mo(compiled, read_po(BytesIO(shipped), locale=code))
    compiled.seek(0)
    percent = Locale.parse(code).percent_formats[None].suffix[0]
    signs = {",": get_group_symbol(code), ".": get_decimal_symbol(code), "%": percent}
    return Catalogue(code, GNUTranslations(compiled), str.maketrans(signs))
