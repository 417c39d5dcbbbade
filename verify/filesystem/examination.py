"""What an examination of a filesystem's own structures found, as plain data.

An examination asks what the filesystem's own driver and checker ask: would the volume be mounted,
is every file found and read whole, and is nothing lost at the next write? It records; rules judge.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import chain
from typing import TYPE_CHECKING, Self

from blake3 import blake3

from verify.text.field import Text

if TYPE_CHECKING:
    from collections.abc import Mapping

MOST_FAULTS = 200
"""Faults of one effect that are kept one by one; all are counted, and all are in the digest."""


class Effect(StrEnum):
    """What a fault does, the worst first."""

    REFUSED = "refused"
    """The volume's own system does not mount it, or not for writing."""
    LOST = "lost"
    """A file or folder is not found, or its contents or marks are not read whole."""
    OVERWRITTEN = "overwritten"
    """What a file or structure occupies is marked free, or has a second owner: a write destroys it.
    """
    REPAIRED = "repaired"
    """The system's own check repairs it without loss: a copy, a count, a mark."""
    WASTED = "wasted"
    """Space is marked in use and belongs to nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is not as the driver needs it.

    `structure`: the standard's name (`$MFTMirr`, `inode`, `FAT`). `place`: which of them (`record
    5`, `inode 12`, `group 3`), in words that do not change when the volume is resized, if there
    are such. `field`: what of it. `stored`, `expected`: both values, in words. `offset`: in bytes
    of the volume. `node`: the file record or inode whose file or folder it hits; `path`: its name,
    once the volume was listed.
    """

    effect: Effect
    structure: Text
    place: Text
    field: Text
    stored: Text
    expected: Text
    offset: int | None = None
    node: int | None = None
    path: str | None = None

    @property
    def identity(self) -> tuple[str, str, str, str, str]:
        """What makes it the same fault on another drive: the same place with the same value.

        Of a checksum that is not only what was stored, but what it was stored over.
        """
        over = self.expected if "checksum" in self.field else ""
        return self.structure, self.place, self.field, self.stored, over

    def with_path(self, paths: Mapping[int, str]) -> Fault:
        """Return it with the name of what it hits, by its node, where that is known."""
        path = None if self.node is None else paths.get(self.node)
        return self if path is None else replace(self, path=path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What was compared, and what was found.

    `faults`: at most `MOST_FAULTS` an effect; `counts`: all of them, by effect; `digest`: BLAKE3
    over the identities of all, in their order, so that two drives with more faults than are kept
    can be told apart. `left_out`: what was not examined, and why.
    """

    compared: int = 0
    faults: tuple[Fault, ...] = ()
    counts: dict[str, int] = field(default_factory=dict)
    digest: str | None = None
    left_out: tuple[Text, ...] = ()

    def with_paths(self, paths: Mapping[int, str]) -> Check:
        """Return it with the names of the files and folders that faults hit, by their nodes."""
        return replace(self, faults=tuple(item.with_path(paths) for item in self.faults))


@dataclass(frozen=True, slots=True, kw_only=True)
class Examination:
    """Both halves of an examination; `allocation` is `None` for kinds that keep no such record.

    `log_applied`: changes that waited in its journal were taken into account, as the system will
    when it mounts the volume.
    """

    structure: Check
    allocation: Check | None = None
    log_applied: bool = False

    @property
    def nodes(self) -> set[int]:
        """The file records or inodes whose files and folders faults hit."""
        halves = (self.structure, self.allocation)
        faults = chain.from_iterable(half.faults for half in halves if half is not None)
        return {fault.node for fault in faults if fault.node is not None}

    def with_paths(self, paths: Mapping[int, str]) -> Examination:
        """Return it with the names of the files and folders that faults hit, by their nodes."""
        return replace(
            self,
            structure=self.structure.with_paths(paths),
            allocation=None if self.allocation is None else self.allocation.with_paths(paths),
        )


@dataclass(slots=True)
class Recorder:
    """Collects what one half of an examination compares and finds."""

    comparisons: int = 0
    _kept: dict[Effect, list[Fault]] = field(default_factory=dict)
    _counts: Counter[str] = field(default_factory=Counter)
    _digest: blake3 = field(default_factory=blake3)
    _left_out: dict[str, None] = field(default_factory=dict)

    def compared(self, count: int = 1) -> Self:
        """Count things that were compared, whatever came of it."""
        self.comparisons += count
        return self

    def fault(self, found: Fault) -> None:
        """Record a fault."""
        self._counts[found.effect] += 1
        self._digest.update("\0".join((*found.identity, "")).encode("utf-8", "surrogatepass"))
        kept = self._kept.setdefault(found.effect, [])
        if len(kept) < MOST_FAULTS:
            kept.append(found)

    def leave_out(self, reason: str) -> None:
        """Say that something was not examined, and why."""
        self._left_out[reason] = None

    def result(self) -> Check:
        """Return what was recorded, the worst effect first."""
        faults = [fault for effect in Effect for fault in self._kept.get(effect, ())]
        return Check(
            compared=self.comparisons,
            faults=tuple(faults),
            counts=dict(self._counts),
            digest=self._digest.hexdigest() if faults else None,
            left_out=tuple(self._left_out),
        )


def not_examined(reason: str) -> Examination:
    """Return the examination of a volume of which nothing could be examined, and why."""
    structure, allocation = Recorder(), Recorder()
    structure.leave_out(reason)
    allocation.leave_out(reason)
    return Examination(structure=structure.result(), allocation=allocation.result())
