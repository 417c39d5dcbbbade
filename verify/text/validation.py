"""Why a document is refused, in our words: what the library that checks it says is English."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.text.message import say

if TYPE_CHECKING:
    from pydantic import ValidationError

    from verify.text.message import Message


def not_valid(error: ValidationError) -> Message:
    """Return which field of a document is not valid, the first of them."""
    place = first_field(error)
    return say("field {place} is not valid", place=place) if place else say("it is not valid")


def first_field(error: ValidationError) -> str:
    """Return the name of the first field that is not valid, with those it lies in."""
    return ".".join(str(part) for part in error.errors()[0]["loc"])
