"""A gettext catalogue as a phrase book: sentences recognised by their templates.

A template is an entry with fields, `Partition {0} has {1} files …`. A text that fits one is put
into the other language with its values, each looked up in the same way. Where several ways fit, the
one that leaves the least in English counts, then the one with the most letters of its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from gettext import GNUTranslations
from importlib.resources import files
from io import BytesIO
from typing import TYPE_CHECKING

from babel.dates import format_date, format_time
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import get_decimal_symbol, get_group_symbol

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

FIELD = re.compile(r"\{(\w*)\}")
"""A field of a template, as `str.format` has it."""

_LISTS = ("; ", ", ")
_JOINTS = (*_LISTS, " and ", ": ")
_SENTENCES = re.compile(r"(?<=[.!?]) (?=[A-Z])")
_PUT_BEHIND = frozenset(" ,;")
"""How something begins that is put behind a value."""

_NAMES_BEGIN = ("/", '"')
"""How a path and a label begin in a list."""

_NUMBER = r"-?\d{1,3}(?:,\d{3})*(?:\.\d+)?(?: ?(?:B|kB|MB|GB|TB|PB|KiB|MiB|GiB|TiB|PiB|%))?"
_NUMBERS = re.compile(rf"{_NUMBER}(?: \({_NUMBER}\))?")
_DAY = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?: (\d\d):(\d\d) UTC)?")


@dataclass(frozen=True, slots=True)
class Template:
    """A sentence with fields, in English and in another language.

    `patterns`: its fields as short, and as long, as can be. `fields`: their names; those that stand
    side by side are one group of a pattern. `weight`: how many letters, and how many signs, stand
    outside them. `longest`: its longest piece without fields, which a text that fits must have.
    """

    patterns: tuple[re.Pattern[str], ...]
    fields: tuple[tuple[str, ...], ...]
    there: str
    weight: tuple[int, int]
    longest: str


@dataclass(frozen=True, slots=True)
class Found:
    """A text in the other language; `left`: how much of it stayed, in blanks between words.

    A single word, or a list of such, is a name as likely as not.
    """

    text: str
    left: int = 0


@dataclass(slots=True)
class Phrasebook:
    """One catalogue, ready to look sentences up in; `texts`: each entry and what it is there."""

    code: str
    texts: dict[str, str]
    templates: list[Template] = field(init=False)
    _known: dict[str, Found | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Compile the templates, the surest first."""
        made = (template(here, there) for here, there in self.texts.items() if FIELD.search(here))
        self.templates = sorted(made, key=lambda item: item.weight, reverse=True)

    def say(self, text: str) -> str:
        """Return a text in this language, as far as it is known."""
        return self._said(text).text

    def knows(self, text: str) -> bool:
        """Whether nothing of a text stays in English."""
        found = self._look(text)
        return found is not None and not found.left

    def _said(self, text: str) -> Found:
        """Return a text in this language, or as it is: then a name, where it is one word."""
        found = self._look(text)
        if found is not None:
            return found
        return Found(text, text.count(" ") - text.count(", "))

    def _look(self, text: str) -> Found | None:
        if text not in self._known:
            self._known[text] = None  # a text that leads back to itself is not known by that
            self._known[text] = self._best(self._ways(text))
        return self._known[text]

    @staticmethod
    def _best(ways: Iterable[Found]) -> Found | None:
        best = None
        for found in ways:
            if best is None or found.left < best.left:
                best = found
            if not found.left:
                break
        return best

    def _ways(self, text: str) -> Iterator[Found]:
        """Yield the ways to put a text into this language, the surest first."""
        known = self._entry(text)
        if known is not None:
            yield Found(known)
            return
        yield from self._by_templates(text)
        yield from self._with_ends(text)
        yield from self._in_parts(text)
        yield from self._inside_another(text)

    def _entry(self, text: str) -> str | None:
        """Look up an entry, a number or a date."""
        if text in self.texts:
            return self.texts[text]
        if _NUMBERS.fullmatch(text):
            return self._number(text)
        day = _DAY.fullmatch(text)
        return self._day(day) if day else None

    def _by_templates(self, text: str) -> Iterator[Found]:
        for item in self.templates:
            if item.longest in text:
                for pattern in item.patterns:
                    if found := pattern.fullmatch(text):
                        yield self._filled(item, found.groups())

    def _filled(self, item: Template, groups: Iterable[str]) -> Found:
        values: dict[str, str] = {}
        left = 0
        for names, value in zip(item.fields, groups, strict=True):
            said = self._parted(value, len(names))
            values.update(zip(names, (part.text for part in said), strict=True))
            left += sum(part.left for part in said)
        return Found(FIELD.sub(lambda name: values[name[1]], item.there), left)

    def _parted(self, value: str, count: int) -> Sequence[Found]:
        """Part what stands in fields side by side: the last may be empty, or is put behind."""
        if count == 1:
            return (self._said(value),)
        ways = [(*self._parted(value, count - 1), Found(""))]
        ways += [
            (*self._parted(value[:cut], count - 1), self._said(value[cut:]))
            for cut in range(1, len(value))
            if value[cut] in _PUT_BEHIND and self.knows(value[cut:])
        ]
        return min(ways, key=lambda parts: sum(part.left for part in parts))

    def _with_ends(self, text: str) -> Iterator[Found]:
        """Look up a sentence and an entry that was put behind it: `…; its contents are proven`."""
        for mark in _LISTS:
            at = text.rfind(mark)
            while at > 0:
                if text[at:] in self.texts:
                    head = self._said(text[:at])
                    yield Found(head.text + self.texts[text[at:]], head.left)
                at = text.rfind(mark, 0, at)

    def _inside_another(self, text: str) -> Iterator[Found]:
        """Look up a sentence without its full stop, or that lost it and its capital in another."""
        if text.endswith(".") and (known := self._look(text[:-1])):
            yield Found(known.text + ".", known.left)
        whole = f"{text[:1].upper()}{text[1:]}."
        if text[:1].islower() and not text.endswith(".") and (known := self._look(whole)):
            yield Found(known.text.removesuffix("."), known.left)

    def _in_parts(self, text: str) -> Iterator[Found]:
        """Look up several sentences, the parts of a list, or a word and its value."""
        sentences = _SENTENCES.split(text)
        if len(sentences) > 1:
            yield from self._joined(sentences, " ", " ")
        for mark in _JOINTS:
            if mark in text:
                yield from self._joined(text.split(mark), mark, self.texts.get(mark, mark))

    def _joined(self, parts: Sequence[str], mark: str, joint: str) -> Iterator[Found]:
        """Yield the parts together, if all are known; behind a name nothing is changed."""
        told: list[str] = []
        left = 0
        for number, part in enumerate(parts):
            if part.startswith(_NAMES_BEGIN):
                told.append(mark.join(parts[number:]))
                left = told[-1].count(" ")
                break
            said = self._said(part)
            if said.left:
                return
            told.append(said.text)
        if any(said != part for said, part in zip(told, parts, strict=False)):
            yield Found(joint.join(told), left)

    def _number(self, text: str) -> str:
        signs = {",": get_group_symbol(self.code), ".": get_decimal_symbol(self.code)}
        return "".join(signs.get(letter, letter) for letter in text)

    def _day(self, found: re.Match[str]) -> str | None:
        year, month, day, hour, minute = (int(part or 0) for part in found.groups())
        try:
            moment = datetime(year, month, day, hour, minute, tzinfo=UTC)
        except ValueError:
            return None
        told = format_date(moment, "medium", locale=self.code)
        if found[4] is None:
            return told
        return f"{told}, {format_time(moment, 'short', tzinfo=UTC, locale=self.code)} UTC"


def template(here: str, there: str) -> Template:
    """Return the template of a catalogue's entry."""
    parts = FIELD.split(here)
    literals, names = parts[::2], parts[1::2]
    pattern = re.escape(literals[0])
    groups: list[list[str]] = []
    for before, name, literal in zip(literals, names, literals[1:], strict=False):
        if groups and not before:
            groups[-1].append(name)
        else:
            groups.append([name])
            pattern += "(.+?)"
        pattern += re.escape(literal)
    own = "".join(literals)
    patterns = dict.fromkeys((pattern, pattern.replace("(.+?)", "(.+)")))
    return Template(
        patterns=tuple(re.compile(item, re.DOTALL) for item in patterns),
        fields=tuple(tuple(group) for group in groups),
        there=there,
        weight=(sum(map(str.isalpha, own)), len(own)),
        longest=max(literals, key=len),
    )


@cache
def phrasebook(code: str) -> Phrasebook:
    """Return the catalogue of a language that is shipped."""
    shipped = files("verify.report").joinpath(f"languages/{code}.po").read_bytes()
    catalogue = read_po(BytesIO(shipped), locale=code)
    compiled = BytesIO()
    write_mo(compiled, catalogue)
    compiled.seek(0)
    translations = GNUTranslations(compiled)
    texts = {
        message.id: translations.gettext(message.id)
        for message in catalogue
        if message.id and isinstance(message.id, str)
    }
    return Phrasebook(code, texts)
