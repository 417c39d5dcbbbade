"""How small a volume can be made: what is in use, and what has to be left beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.filesystem.description import LOCKED_KINDS, READABLE_KINDS
from verify.rules.shared import is_boot_partition, is_protected, is_reserved
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.description import Filesystem
    from verify.manifest.header import Header, Partition

# SPEC: ntfsresize(8), --info: 'the smallest shrunken size generally is at around "used space" +
# (20-200 MB). Please also take into account that Windows might need about 50-100 MB free space
# left to boot safely.' The share between the two ends is a choice made here.
MARGIN_BYTES = (20_000_000, 200_000_000)
MARGIN_PERCENT = 2
START_BYTES = 50_000_000
"""The least margin of a volume that a system starts from: what is left free is free for both."""

# NOTE: resize2fs works in whole block groups and wants one more for their metadata (measured: its
# `-P` is up to one group of 8 x block x block bytes above what is in use, and often below it).
_EXT_GROUPS = 2

COPIED_KINDS = frozenset({"exfat"})
"""Kinds that no usual tool resizes (common practice: exfatprogs and Windows have no way to).

One of another size is made anew, and its files are copied.
"""

# SPEC: Microsoft, FAT specification 1.03: fewer clusters than these are a narrower FAT.
_FEWEST_CLUSTERS = {"fat16": 4_085, "fat32": 65_525}


@dataclass(frozen=True, slots=True, kw_only=True)
class Least:
    """The least size of a partition in bytes, and what it is made of.

    `bytes` is `None` where it cannot be told, and then `why` says why; else `why` names what holds
    it up besides what is in use, if anything does. `used` + `margin` make the least size unless
    `floor` (the least its format allows) is larger. `wanted`: with the free share asked for.
    """

    bytes: int | None
    used: int = 0
    margin: int = 0
    margin_words: str = ""
    floor: int = 0
    wanted: int = 0
    why: str = ""

    @property
    def need(self) -> int:
        """What a fit has to give it."""
        return max(self.bytes or 0, self.wanted)


def least_of(header: Header, partition: Partition, free: float) -> Least | None:
    """Return how small a partition can be made; `None` for one that keeps its size in any case.

    `free`: the share of the shrunk volume that is to stay free, 0 to below 1.
    """
    if is_protected(partition) or is_reserved(partition) or is_boot_partition(header, partition):
        return None
    if partition.filesystem.kind not in READABLE_KINDS:
        return (
            None if _keeps_its_size(header, partition) else Least(bytes=None, why=_why(partition))
        )
    filesystem = partition.filesystem
    used = filesystem.used_bytes
    if used is None:
        return Least(bytes=None, why=say("does not say how much of it is in use"))
    starts = partition.boot is not None and partition.boot.registry is not None
    margin, words = _margin(filesystem, used, starts=starts)
    floor = _floor(filesystem)
    least = max(used + margin, floor)
    why = say("with fewer clusters it would no longer be {kind}", kind=filesystem.kind)
    return Least(
        bytes=least,
        used=used,
        margin=margin,
        margin_words=words,
        floor=floor,
        wanted=-int(-used // (1 - free)) if free else 0,
        why=why if floor == least else "",
    )


def _keeps_its_size(header: Header, partition: Partition) -> bool:
    """Whether nobody would shrink it: a small raw one beside others."""
    locked = partition.filesystem.kind in LOCKED_KINDS
    largest = max(item.sectors for item in header.partitions if not item.container)
    return not locked and partition.sectors < largest


def _why(partition: Partition) -> str:
    kind = partition.filesystem.kind
    if kind in LOCKED_KINDS:
        return say("is encrypted ({kind}), so its used space cannot be seen", kind=kind)
    return say("has no filesystem whose used space can be counted ({kind})", kind=kind)


def _margin(filesystem: Filesystem, used: int, *, starts: bool) -> tuple[int, str]:
    """Return what a resize needs beside what is in use, and where that is from."""
    fewest = START_BYTES if starts else MARGIN_BYTES[0]
    margin = min(max(used * MARGIN_PERCENT // 100, fewest), MARGIN_BYTES[1])
    if filesystem.kind in COPIED_KINDS:
        return margin, say("margin for a new filesystem's own structures (our choice)")
    if starts:
        return margin, say(
            "margin for resizing and starting (ntfsresize(8): 20 to 200 MB, 50 to 100 MB)"
        )
    if filesystem.traits.family != "ext":
        return margin, say("margin for resizing (ntfsresize(8): 20 to 200 MB)")
    block = filesystem.cluster_bytes or 0
    groups = _EXT_GROUPS * 8 * block * block
    return margin + groups, say("margin for resizing (two block groups; see `resize2fs -P`)")


def _floor(filesystem: Filesystem) -> int:
    clusters = _FEWEST_CLUSTERS.get(filesystem.kind, 0)
    return clusters * (filesystem.cluster_bytes or 0)
