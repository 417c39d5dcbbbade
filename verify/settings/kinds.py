"""What a setting may hold; each kind reads it from the file (a TOML value) and from a variable."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from verify.text.message import joined, say

if TYPE_CHECKING:
    from verify.text.message import Message

LONGEST = 200
"""Characters of a text, line ends included: what fits into the head of a page."""

Value = str | bool | Path | tuple[str, ...]

_YES, _NO = ("yes", "true", "on", "1"), ("no", "false", "off", "0")


class NotOfKind(Exception):
    """A value that a setting cannot have; `expected`: what it should be, a clause."""

    def __init__(self, expected: Message) -> None:
        """Keep what was expected."""
        super().__init__(expected)
        self.expected = expected


class SettingKind(Protocol):
    """How a value is read; both raise `NotOfKind`."""

    def of_file(self, value: object) -> Value:
        """Return what a TOML value stands for."""

    def of_text(self, text: str) -> Value:
        """Return what the text of a variable stands for; it is not empty."""


@dataclass(frozen=True)
class Words:
    """A text of one line, or of several."""

    lines: bool = False

    def of_file(self, value: object) -> Value:
        """Return the text without blanks around it."""
        text = value.strip() if isinstance(value, str) else ""
        shown = text.replace("\n", " ") if self.lines else text
        if not text or len(text) > LONGEST or not shown.isprintable():
            one = say("a text of one line, 1 to {most} characters", most=LONGEST)
            several = say("a text of 1 to {most} characters", most=LONGEST)
            raise NotOfKind(several if self.lines else one)
        return text

    def of_text(self, text: str) -> Value:
        """Return the text; in one of several lines, a semicolon ends a line."""
        return self.of_file(re.sub(r"; *", "\n", text) if self.lines else text)


class Place:
    """The path of a file or a folder."""

    def of_file(self, value: object) -> Value:
        """Return the path; relative to what, a file could not say."""
        if not isinstance(value, str) or "\0" in value or not Path(value).is_absolute():
            raise NotOfKind(say("a full path, such as /srv/jobs"))
        return Path(value)

    def of_text(self, text: str) -> Value:
        """Return the path, which may be relative to the current folder."""
        return Path(text)


@dataclass(frozen=True)
class OneOf:
    """One of a few words."""

    words: tuple[str, ...]

    def of_file(self, value: object) -> Value:
        """Return the word."""
        if not isinstance(value, str) or value not in self.words:
            raise NotOfKind(say("one of {words}", words=joined(self.words)))
        return value

    def of_text(self, text: str) -> Value:
        """Return the word."""
        return self.of_file(text)


class Language(OneOf):
    """A language; a variable may name it as a locale, such as de_DE.UTF-8."""

    def of_text(self, text: str) -> Value:
        """Return the code of the language."""
        return self.of_file(text[:2].lower())


@dataclass(frozen=True)
class SomeOf:
    """Some of a few words, each once."""

    words: tuple[str, ...]

    def of_file(self, value: object) -> Value:
        """Return the words in their order."""
        words = value if isinstance(value, list) else [None]
        if not all(isinstance(word, str) and word in self.words for word in words):
            raise NotOfKind(say("a list of some of {words}", words=joined(self.words)))
        return tuple(dict.fromkeys(words))

    def of_text(self, text: str) -> Value:
        """Return the words, which commas part."""
        return self.of_file([word.strip() for word in text.split(",")])


class YesNo:
    """Yes or no."""

    def of_file(self, value: object) -> Value:
        """Return whether it is yes."""
        if not isinstance(value, bool):
            raise NotOfKind(say("true or false"))
        return value

    def of_text(self, text: str) -> Value:
        """Return whether it is yes."""
        if text.lower() not in _YES + _NO:
            raise NotOfKind(say("yes or no"))
        return text.lower() in _YES
