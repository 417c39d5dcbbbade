"""How much a finding weighs."""

from __future__ import annotations

from enum import StrEnum


class Level(StrEnum):
    """The weight of a finding; the heaviest one makes the verdict.

    `stop`: something of the old drive is not proven to be on the new one, or the machine would
    not start from it. `review`: a person must decide. `note`: good to know.
    """

    STOP = "stop"
    REVIEW = "review"
    NOTE = "note"

    @property
    def weight(self) -> int:
        """0 for the heaviest."""
        return list(Level).index(self)
