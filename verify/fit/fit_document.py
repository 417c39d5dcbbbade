"""The fit as a document: what `fit --json` prints, `-o` writes and `--fit` reads again.

Fields may be added in schema 1, never renamed. Sizes are in bytes. `start_lba` and `sectors` count
the target's sectors (`target.sector_bytes`), `was_start_lba` and `was_sectors` those of the old
drive's table (`source.sector_bytes`).
"""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from verify.manifest.base import hold_numbers
from verify.matching.level import Level
from verify.text.field import Text

FIT_SCHEMA: Literal["drivewitness.fit/1"] = "drivewitness.fit/1"


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True, extra="ignore")


class FitSource(_Document):
    """The drive that the fit was worked out for."""

    path: str
    size_bytes: int = Field(ge=0)
    sector_bytes: int = Field(gt=0)
    scheme: Literal["gpt", "mbr", "none"]
    disk_id: str | None = None


class FitTarget(_Document):
    """The drive it is to go onto; `grain_bytes`: what starts are multiples of.

    `sold_as_gb`: the decimal GB whose agreed count of sectors this is. `path`: where a drive, and
    not a size, was named.
    """

    size_bytes: int = Field(ge=0)
    sector_bytes: int = Field(gt=0)
    grain_bytes: int = Field(default=1 << 20, gt=0)
    sold_as_gb: int | None = None
    path: str | None = None


class FitPartition(_Document):
    """One partition: its place on the new drive and on the old one.

    `number` is the old drive's. `least_bytes`: how small it could be made; `None` where it keeps
    its size, or that cannot be told. `change`: what becomes of it (`made_anew`: it cannot be
    resized, a new one takes copies of its files), `what`: what it is, in words.
    """

    number: int
    start_lba: int = Field(ge=0)
    sectors: int = Field(ge=0)
    was_start_lba: int = Field(ge=0)
    was_sectors: int = Field(ge=0)
    least_bytes: int | None
    what: Text = ""
    change: Literal["same", "moved", "shrunk", "grown", "made_anew"] = "same"


class FitPrediction(_Document):
    """What will break, or be found, and by which rule of the later check."""

    rule: str
    level: Level
    message: Text
    advice: Text


class FitLine(_Document):
    """One line of the arithmetic; `bytes` is its number, where it has one."""

    text: Text
    bytes: int | None = None


class FitHolder(_Document):
    """What takes the room: a folder with all below it, or all files of a kind."""

    kind: Literal["folder", "kind"]
    name: Text
    bytes: int
    files: int


class FitChoice(_Document):
    """Another size, and whether it would do."""

    size: str
    target: FitTarget
    fits: bool
    partition_bytes: int | None
    must_move_bytes: int


class FitDocument(_Document):
    """A whole fit.

    `gives_way`: the number of the partition that shrinks or grows, `room_bytes` what it can have
    (below zero: so much is missing without it). `partitions` is empty where it does not fit and
    moving files off is not enough; where that helps, it is the layout to aim for.
    `must_move_bytes`: how much has to leave it first.
    `refusal`: one sentence with the number that is missing, where it does not fit.
    """

    schema_: Literal["drivewitness.fit/1"] = Field(default=FIT_SCHEMA, alias="schema")
    fits: bool
    source: FitSource | None = None
    target: FitTarget
    partitions: tuple[FitPartition, ...]
    gives_way: int | None = None
    room_bytes: int | None = None
    must_move_bytes: int = Field(ge=0)
    refusal: Text | None = None
    arithmetic: tuple[FitLine, ...] = ()
    holders: tuple[FitHolder, ...] = ()
    what_if: tuple[FitChoice, ...] = ()
    predictions: tuple[FitPrediction, ...] = ()
    version: str = ""

    @model_validator(mode="after")
    def _numbers(self) -> Self:
        hold_numbers(self.__dict__)
        return self


def valid(name: str) -> str:
    """Return a drive's name as a document can carry it: stray halves of UTF-16 are written out."""
    return name.encode("utf-8", "backslashreplace").decode()
