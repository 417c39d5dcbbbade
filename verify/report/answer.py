"""May the old drive be wiped: the answer that a screen ends with.

The verdict is evidence, not permission, and the new drive must first have been seen to start
alone. Two readings cannot tell that, so a comparison never answers yes; `identify` does, with the
old drive itself at hand. Where no drive was identified, nothing is said about wiping one.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PureWindowsPath
from typing import TYPE_CHECKING, Literal, Protocol

from verify.rules.rule import Level
from verify.text.message import Message, joined, say
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header
    from verify.rules.comparison_document import Comparison

Word = Literal["yes", "not yet", "no"]

OLD_QUESTION = say("May the old drive be wiped?")
OLD_TITLE = say("Old drive")
FIRST_START = say("The machine must first start from the new drive alone.")
NOT_IDENTIFIED = say("No drive was identified.")

IN_DOUBT = say("It is in doubt which drive is the old one: see drive-pair.")

_PAIR = "drive-pair"
"""The rule that says whether these are an old drive and its clone."""

_OF_VERDICT: dict[str, tuple[Word, str]] = {
    "sound": ("not yet", FIRST_START),
    "review": (
        "not yet",
        say("A person must first decide on what is listed under REVIEW and NOT EXAMINED."),
    ),
    "stop": ("no", say("It may hold something that the new drive lacks.")),
}


ANSWER_WORDS: dict[Word, Message] = {"yes": say("YES"), "not yet": say("NOT YET"), "no": say("NO")}
"""Each answer as it is printed."""


class NamedDrive(Protocol):
    """A drive, read or recorded, and what names it."""

    @property
    def size_bytes(self) -> int:
        """Its size."""

    @property
    def model(self) -> str | None:
        """What it calls itself."""

    @property
    def serial(self) -> str | None:
        """The number it gives itself, or an adapter gave for it."""

    @property
    def serial_source(self) -> str | None:
        """`drive` or `adapter`."""


@dataclass(frozen=True, slots=True)
class NoDrive:
    """What was examined instead of a whole drive: its name, and what the result is about."""

    title: str
    why: str


IMAGE = NoDrive(say("Image"), say("This result is about an image."))
MANIFEST = NoDrive(say("Manifest"), say("This result is about a manifest."))
PARTITION = NoDrive(say("One partition only"), say("This result is about one partition."))
UNCONFIRMED = NoDrive(
    say("Device"), say("It has no table, and nobody confirmed that it is a whole drive.")
)


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer, why it is that, and which drive is meant.

    `word` is `None` where no drive was identified; `question` is not asked then.
    """

    word: Word | None
    why: str
    facts: tuple[str, ...] = ()
    question: str = OLD_QUESTION
    title: str = OLD_TITLE

    @property
    def heading(self) -> str:
        """The question; where it is not asked, what was examined."""
        return self.title if self.word is None else self.question


def answer_of(comparison: Comparison, sides: tuple[Header, Header]) -> Answer:
    """Return what a comparison comes to for its old drive.

    Where it is in doubt which of the two drives is the old one, none is named.
    """
    old, new = sides
    if (what := no_drive(old) or part_of_drive(new)) is not None:
        return of_no_drive(what, comparison.source.path, old.drive.size_bytes)
    if any(row.rule == _PAIR and row.level is not Level.NOTE for row in comparison.findings):
        return Answer("no", IN_DOUBT)
    word, why = _OF_VERDICT[comparison.verdict]
    return Answer(word, why, facts_of(old.drive))


def no_drive(examined: Header) -> NoDrive | None:
    """Return what was examined where it is no whole drive; `None` for a drive."""
    if examined.drive.kind == "image":
        return part_of_drive(examined) or IMAGE
    return part_of_drive(examined) or (UNCONFIRMED if examined.scope == "unconfirmed" else None)


def part_of_drive(examined: Header) -> NoDrive | None:
    """Return that it is one partition, where it is."""
    return PARTITION if examined.scope == "partition" else None


def of_no_drive(what: NoDrive, path: str, size_bytes: int) -> Answer:
    """Return the answer for what is no drive: what it is, and not a word about wiping.

    An image is named by its file alone: the folder says nothing about the drive.
    """
    name = PureWindowsPath(path).name if what is IMAGE else path
    facts = name or path, decimal_size(size_bytes)
    why = joined((NOT_IDENTIFIED, what.why), " ")
    return Answer(None, why, facts, title=what.title)


def facts_of(drive: NamedDrive) -> tuple[str, ...]:
    """Return what names a drive: its model, serial number and size."""
    return tuple(_facts(drive))


def _facts(drive: NamedDrive) -> Iterator[str]:
    yield drive.model or say("model not reported")
    if drive.serial is None:
        yield say("serial number not reported")
    elif drive.serial_source == "adapter":
        yield say("serial number of the adapter {serial}", serial=drive.serial)
    else:
        yield say("serial number {serial}", serial=drive.serial)
    yield decimal_size(drive.size_bytes)
