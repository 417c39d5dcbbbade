"""What the parts of an NTFS examination share: the volume, what was gathered, what was found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from verify.errors import PastEnd
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.examination import Effect, Fault, Recorder
from verify.filesystem.ntfs.describe import Geometry
from verify.filesystem.ntfs.record_table import RecordTable
from verify.filesystem.ntfs.records import Run
from verify.source.window import Window
from verify.text.message import say, worded

Numbers = NDArray[np.int64]
Words = NDArray[np.uint64]

MFT, MIRROR, LOG_FILE, VOLUME, ATTRIBUTE_TABLE, ROOT = 0, 1, 2, 3, 4, 5
BITMAP, BOOT, BAD_CLUSTERS, SECURE, UPPER_CASE, EXTEND = 6, 7, 8, 9, 10, 11
SYSTEM_NAMES = (
    *("$MFT", "$MFTMirr", "$LogFile", "$Volume", "$AttrDef", ".", "$Bitmap", "$Boot", "$BadClus"),
    *("$Secure", "$UpCase", "$Extend"),
)
"""The names of records 0 to 11: libfsntfs, 'The metadata files'."""

MOUNTED_BY = frozenset({MFT, MIRROR, LOG_FILE, VOLUME, ATTRIBUTE_TABLE, ROOT, BITMAP, UPPER_CASE})
"""Records without which ntfs-3g refuses the volume, or its root (libntfs-3g, volume.c)."""

FIRST_OF_USERS = 24
"""Records below are the system's, or kept for it: libfsntfs, 'The metadata files'."""

KEPT_BYTES = 4 << 20
"""Of a structure that is read whole at once: no system structure but bitmaps is longer."""


class FaultyError(Exception):
    """A structure that is not as the driver needs it; `at` in bytes of the volume."""

    def __init__(
        self, structure: str, field_name: str, stored: object, expected: object, at: int | None
    ) -> None:
        """Keep what a fault tells."""
        super().__init__(structure, field_name, stored, expected)
        self.structure, self.field = structure, field_name
        self.stored, self.expected, self.at = worded(stored), worded(expected), at


class TooLongError(FaultyError):
    """A value that is longer than any that is examined, and may be right for all that is known."""


@dataclass(frozen=True, slots=True)
class Whole:
    """One attribute of a file, its parts put together; resident where it has a `value`."""

    kind: int
    name: str
    flags: int
    at: int
    value: bytes | None
    size: int
    valid: int
    runs: tuple[Run, ...] = ()


@dataclass(frozen=True, slots=True)
class IndexParts:
    """The attributes that make up one index of a record."""

    record: int
    name: str
    root: Whole
    blocks: Whole | None = None
    bitmap: Whole | None = None


@dataclass(slots=True)
class Gathered:
    """What the records say, for the checks that hold it against the other structures.

    Of each record: `in_use` by a file of its own, `folder`, `sequence`; `broken` are those that
    could not be read, `extending` those that extend others.
    `names`: (reference of the record, key of the name, DOS name or not), `runs`: (first cluster,
    clusters, record), each a list of arrays.
    """

    in_use: NDArray[np.bool_]
    folder: NDArray[np.bool_]
    sequence: NDArray[np.uint16]
    broken: set[int] = field(default_factory=set)
    extending: set[int] = field(default_factory=set)
    names: list[tuple[Words, Words, NDArray[np.bool_]]] = field(default_factory=list)
    runs: list[tuple[Numbers, Numbers, Numbers]] = field(default_factory=list)
    indexes: list[IndexParts] = field(default_factory=list)
    kept: dict[tuple[int, int, str], Whole] = field(default_factory=dict)
    security: set[int] = field(default_factory=set)
    system_names: dict[int, list[str]] = field(default_factory=dict)

    def reference(self, number: int) -> int:
        """Return the reference to a record: its number and its sequence number."""
        return number | int(self.sequence[number]) << 48


@dataclass(slots=True)
class Examined:
    """A volume under examination."""

    window: Window
    sizes: Geometry
    table: RecordTable
    alive: Callable[[], None]
    structure: Recorder = field(default_factory=Recorder)
    allocation: Recorder = field(default_factory=Recorder)

    def fault(  # noqa: PLR0913, PLR0917 - what a fault tells
        self,
        effect: Effect,
        structure: str,
        place: str,
        field_name: str,
        stored: object,
        expected: object,
        *,
        at: int | None = None,
        node: int | None = None,
    ) -> None:
        """Record a fault of a structure."""
        self.structure.fault(
            Fault(
                effect=effect,
                structure=structure,
                place=place,
                field=field_name,
                stored=worded(stored),
                expected=worded(expected),
                offset=at,
                node=node,
            )
        )

    def faulty(self, error: FaultyError, effect: Effect, place: str, node: int | None) -> None:
        """Record what an error tells."""
        self.fault(
            effect,
            error.structure,
            place,
            error.field,
            error.stored,
            error.expected,
            at=error.at,
            node=node,
        )

    def record_effect(self, number: int) -> Effect:
        """Return what it does when a record is not whole."""
        if len(SYSTEM_NAMES) <= number < FIRST_OF_USERS:
            return Effect.REPAIRED  # they hold nothing
        return Effect.REFUSED if number in MOUNTED_BY else Effect.LOST

    def bytes_of(self, whole: Whole, most: int = KEPT_BYTES) -> bytes:
        """Return an attribute's value; what was never written is zeros.

        Raises:
            TooLongError: it is longer than `most` bytes.
            FaultyError: it lies where nothing can be read.
        """
        if whole.value is not None:
            return whole.value
        if whole.size > most:
            raise TooLongError(
                say("attribute"),
                say("size"),
                whole.size,
                say("at most {most}", most=most),
                whole.at,
            )
        parts, left = [], min(whole.size, whole.valid)
        for count, start in whole.runs:
            length = min(count * self.sizes.cluster_bytes, left)
            if start is None:
                parts.append(bytes(length))
            else:
                parts.append(self.read(start * self.sizes.cluster_bytes, length))
            left -= length
        return b"".join(parts).ljust(whole.size, b"\0")

    def read(self, at: int, length: int) -> bytes:
        """Return bytes of the volume.

        Raises:
            FaultyError: they cannot be read.
        """
        try:
            return self.window.read(at, length)
        except UNREADABLE as error:
            stored = say("outside the volume") if isinstance(error, PastEnd) else say("unreadable")
            raise FaultyError(
                say("sectors"), say("contents"), stored, say("readable"), at
            ) from error


def system_fault(  # noqa: PLR0913, PLR0917 - what a fault tells
    volume: Examined,
    number: int,
    field_name: str,
    stored: object,
    expected: object,
    effect: Effect | None = None,
) -> None:
    """Record a fault of a system file; without an effect, that of its record."""
    effect = effect or volume.record_effect(number)
    name = SYSTEM_NAMES[number]
    volume.fault(
        effect,
        name,
        say("record {number}", number=number),
        field_name,
        stored,
        expected,
        node=number,
    )
