"""Which partition of the target is which of the source: by GUID, identity or place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.manifest.header import Partition

if TYPE_CHECKING:
    from verify.manifest.header import Header


@dataclass(frozen=True, slots=True)
class Pair:
    """A partition of the source and the one of the target that it became; either may be absent.

    `matched_by` is `guid`, `filesystem` (identity and type) or `place`; empty where alone.
    """

    source: Partition | None
    target: Partition | None
    matched_by: str = ""

    @property
    def number(self) -> int:
        """The number findings use: the target's where there is one, else the source's."""
        partition = self.target or self.source
        assert partition is not None  # noqa: S101
        return partition.number

    @property
    def both(self) -> tuple[Partition, Partition] | None:
        """Source and target, where both are there."""
        if self.source is None or self.target is None:
            return None
        return self.source, self.target


_Key = Callable[["Partition"], Hashable | None]


def on_drive(header: Header) -> list[Partition]:
    """Return the partitions in their order on the drive, containers of others left out."""
    inside = [item for item in header.partitions if not item.container]
    return sorted(inside, key=lambda item: (item.start_lba, item.number))


def _guid(partition: Partition) -> Hashable | None:
    return partition.guid


def _identity(partition: Partition) -> Hashable | None:
    kind = partition.filesystem.kind
    identity = partition.filesystem.id
    return None if identity is None else (kind, identity, partition.type)


def _identity_alone(partition: Partition) -> Hashable | None:
    identity = partition.filesystem.id
    return None if identity is None else (partition.filesystem.kind, identity)


def _unique(partitions: list[Partition], key: _Key) -> dict[Hashable, Partition]:
    keys = Counter(key(item) for item in partitions)
    return {
        value: item for item in partitions if (value := key(item)) is not None and keys[value] == 1
    }


def match_partitions(source: Header, target: Header) -> tuple[Pair, ...]:
    """Match the partitions of two drives; each belongs to exactly one pair.

    A key that two partitions of one drive share does not matter. What is left over is matched by
    place: the order among what is left, and only where the kinds do not contradict each other
    (a known filesystem is never matched with another known one by place alone).
    """
    old, new = on_drive(source), on_drive(target)
    found: dict[int, tuple[Partition, str]] = {}
    for label, key in (("guid", _guid), ("filesystem", _identity), ("filesystem", _identity_alone)):
        taken = {id(item) for item, _ in found.values()}
        here = _unique([item for item in old if id(item) not in found], key)
        there = _unique([item for item in new if id(item) not in taken], key)
        for value, item in here.items():
            if value in there:
                found[id(item)] = (there[value], label)
    taken = {id(item) for item, _ in found.values()}
    left = [item for item in new if id(item) not in taken]
    for item in old:
        if id(item) in found:
            continue
        chosen = next((other for other in left if _same_place(item, other)), None)
        if chosen is not None:
            left.remove(chosen)
            found[id(item)] = (chosen, "place")
    pairs = [Pair(item, *found.get(id(item), (None, ""))) for item in old]
    return (*pairs, *(Pair(None, item) for item in left))


def _same_place(source: Partition, target: Partition) -> bool:
    same_type = source.type == target.type
    same_kind = source.filesystem.kind == target.filesystem.kind
    same_start = source.start_lba == target.start_lba
    return (same_type and same_kind) or (same_start and (same_type or same_kind or source.is_raw))
