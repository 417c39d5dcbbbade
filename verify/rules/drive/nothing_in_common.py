"""Telling two drives that have nothing to do with each other; a part of the rule `drive-pair`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.description import READABLE_KINDS
from verify.rules.rule import Level
from verify.rules.shared import BIOS_BOOT, is_reserved
from verify.text.message import say

if TYPE_CHECKING:
    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_LOOK = say("Read the serial numbers on both labels: at least one of these is the wrong drive.")
_FEW = 10
"""Namesakes that any two drives may have: what systems put on every volume, and loaders."""


def tell_strangers(case: Case, answer: RuleAnswer) -> bool:
    """Tell of two drives without anything in common; return whether it is certain."""
    if case.common_names is None or _share_blocks(case):
        return False
    found, total = case.common_names
    if _many(found, total):
        return False
    seen = all(_all_seen(header) for header in (case.source, case.target))
    if seen and total:
        message = say(
            "The two drives have nothing in common: no disk, partition or filesystem"
            " identifier, and only {found:,} of {total:,} files by name and size.",
            found=found,
            total=total,
        )
        answer.find(Level.STOP, message, _LOOK, alone=True)
        return True
    if not seen:
        message = say(
            "The two drives share no disk, partition or filesystem identifier, and not all of"
            " their files can be seen."
        )
        answer.find(Level.REVIEW, message, _LOOK)
    return False


def _many(found: int, total: int) -> bool:
    """Whether so many files have a namesake that one drive may be a copy of the other's files."""
    return found * 10 >= total and (found > _FEW or found * 2 >= total) and total > 0


def _share_blocks(case: Case) -> bool:
    """Whether a partition without a readable filesystem has the same blocks on both drives."""
    pairs = (*case.contents.pairs.values(), *case.contents.encrypted.values())
    return any(pair.raw and pair.totals.hashed > pair.mismatches for pair in pairs)


def _all_seen(header: Header) -> bool:
    """Whether the files of all partitions were listed to their end."""
    return all(_seen(item) for item in header.partitions if not item.container)


def _seen(partition: Partition) -> bool:
    if is_reserved(partition) or partition.type == BIOS_BOOT:
        return True
    listing = partition.unlocked().listing
    kind = partition.unlocked().filesystem.kind
    return kind in READABLE_KINDS and listing is not None and listing.complete
