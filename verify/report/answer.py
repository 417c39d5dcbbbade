"""May the old drive be wiped: the answer that a screen ends with.

The verdict is evidence, not permission, and the new drive must first have been seen to start
alone. Two readings cannot tell that, so a comparison never answers yes; `identify` does, with the
old drive itself at hand. Where no drive was identified, nothing is said about wiping one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

from verify.report.language import Named
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterator

Word = Literal["yes", "not yet", "no"]

OLD_QUESTION = "May the old drive be wiped?"
OLD_TITLE = "Old drive"
FIRST_START = "The machine must first start from the new drive alone."
NOT_IDENTIFIED = "The old drive was not identified."
IMAGE_ALONE = "This result is about an image."

_OF_VERDICT: dict[str, tuple[Word, str]] = {
    "sound": ("not yet", FIRST_START),
    "review": ("not yet", "A person must first decide what REVIEW and NOT EXAMINED list."),
    "stop": ("no", "It may hold something that the new drive lacks."),
}


class Examined(Protocol):
    """What was read: a drive, or a file that holds an image of one."""

    @property
    def kind(self) -> str:
        """`device` or `image`."""

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
class Answer:
    """The answer, why it is that, and which drive is meant.

    Each of `facts` has its pieces apart, for a name is the same in every language. `word` is `None`
    where no drive was identified; `question` is not asked then.
    """

    word: Word | None
    why: str
    facts: tuple[tuple[str, ...], ...] = ()
    question: str = OLD_QUESTION
    title: str = OLD_TITLE


def answer_of_verdict(verdict: str, old: Examined, path: str) -> Answer:
    """Return what a comparison's verdict comes to for its old drive; `path`: as it may be shown."""
    if is_no_drive(old):
        return of_image(path, old.size_bytes, f"{NOT_IDENTIFIED} {IMAGE_ALONE}")
    word, why = _OF_VERDICT[verdict]
    return Answer(word, why, facts_of(old))


def of_image(path: str, size_bytes: int, why: str) -> Answer:
    """Return the answer for what is no drive: what it is, and not a word about wiping."""
    return Answer(None, why, ((Named(path),), (decimal_size(size_bytes),)), title="Image")


def is_no_drive(examined: Examined) -> bool:
    """Whether it is something else than a whole drive, of which nothing is said about wiping it."""
    return examined.kind != "device"


def facts_of(examined: Examined) -> tuple[tuple[str, ...], ...]:
    """Return what names a drive: its model, serial number and size."""
    return tuple(_facts(examined))


def _facts(examined: Examined) -> Iterator[tuple[str, ...]]:
    yield (Named(examined.model) if examined.model else "model not reported",)
    if examined.serial is None:
        yield ("serial number not reported",)
    elif examined.serial_source == "adapter":
        yield "serial number of the adapter", Named(examined.serial)
    else:
        yield "serial number", Named(examined.serial)
    yield (decimal_size(examined.size_bytes),)
