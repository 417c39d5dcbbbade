"""What a list of differences says of each name: what differs, how it was compared, what to copy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from verify.manifest.draw import FILE_BLOCK_BYTES, blocks_in
from verify.manifest.totals import common_blocks
from verify.matching.level import Level
from verify.matching.marks import LINK_INSTEAD, LINK_REPLACED, POINTS_ELSEWHERE
from verify.matching.pair_contents import Meaning
from verify.matching.traces import is_work
from verify.matching.weigh import DAMAGED, MISSING, OLD_IS_NEWER, OPENED_FROM_MAIL, RESPELT
from verify.matching.weigh_by_moment import (
    COPIED_MEANWHILE,
    COPIED_OPEN,
    DOUBTFUL,
    DOUBTFUL_THERE,
    EARLIER_NAME,
    MOVED,
    MOVED_THERE,
    OLD_STORE,
    OLD_WORK,
    OTHER_VERSION,
    UNDATED,
    ZEROS,
)
from verify.matching.zeroed import CLEARED, ZEROED
from verify.text.message import say

if TYPE_CHECKING:
    from verify.filesystem.entry import Entry
    from verify.matching.pair_contents import Difference, Kind, Listed

Compared = Literal["full", "blocks", "no"]
When = Literal["before", "after", "open", "meanwhile"]

UNREADABLE = Meaning(
    Level.REVIEW,
    say("could not be read on one of the drives"),
    say("could not be read on one of the drives"),
    say("See under NOT EXAMINED why; check again once it can be read."),
)
NOT_READ = Meaning(
    Level.REVIEW,
    say("says it is larger than its volume, and was not read"),
    say("say they are larger than their volume, and were not read"),
    say("Open it on both drives, and compare."),
)

COPIED_BY_HAND = frozenset(
    {
        MISSING,
        DAMAGED,
        DOUBTFUL,
        DOUBTFUL_THERE,
        OLD_IS_NEWER,
        OLD_STORE,
        OLD_WORK,
        OPENED_FROM_MAIL,
        OTHER_VERSION,
        UNDATED,
        ZEROS,
        ZEROED,
        CLEARED,
        COPIED_OPEN,
        COPIED_MEANWHILE,
        POINTS_ELSEWHERE,
        LINK_REPLACED,
        LINK_INSTEAD,
    }
)
"""Meanings that copying the name from the old drive repairs.

Newer settings of a running system are not among them: a system's files must be of one day."""

_MOVED = frozenset({MOVED, MOVED_THERE, EARLIER_NAME, RESPELT})

_NO_NAMES = frozenset({"", ".", ".."})

LINE_BREAKS = frozenset("\n\r")
"""What ends a line to the tools that take a list of paths by lines."""


def count_in(listed: Listed, item: Difference) -> None:
    """Count one more name that differs."""
    listed.count += 1
    listed.kinds.update(kinds_of(item))
    listed.levels[heaviest(item)[1].level] += 1
    if is_to_copy(item):
        listed.to_copy += 1
        listed.with_line_breaks += not LINE_BREAKS.isdisjoint(item.path)


def kinds_of(item: Difference) -> list[Kind]:
    """Return what differs of a name, each once, in the order it was found."""
    kinds: dict[Kind, None] = {}
    for kind, meaning in item.told:
        kinds["moved" if meaning in _MOVED else kind] = None
        if meaning.expected:
            kinds["excluded"] = None
    return list(kinds)


def heaviest(item: Difference) -> tuple[Kind, Meaning]:
    """Return the heaviest of what was told of a name, the first of its like."""
    return min(item.told, key=lambda told: told[1].level.weight)


def is_to_copy(item: Difference) -> bool:
    """Whether copying the name from the old drive puts it right, and the old drive has it whole.

    Never of a name that no system would show, and that would lead a copying tool elsewhere.
    """
    source = item.source
    if source is None or source.unhashed or source.kind == "other":
        return False
    if "\0" in item.path or not _NO_NAMES.isdisjoint(item.path.split("/")[1:]):
        return False
    return any(meaning in COPIED_BY_HAND for _, meaning in item.told)


def compared_as(item: Difference, block_bytes: int = FILE_BLOCK_BYTES) -> Compared:
    """Return whether its contents were read on both drives: in `full`, as `blocks` drawn, or not.

    A link is compared by what it points to; of a folder there are no contents.
    """
    old, new = item.source, item.target
    if old is None or new is None:
        return "no"
    if (old.digest and new.digest) or old.kind == new.kind == "link":
        return "full"
    if old.reparse_digest and new.reparse_digest:
        return "full"
    return "blocks" if common_blocks(old, new, blocks_in(old.size, block_bytes)) else "no"


def when_of(item: Difference) -> When | None:
    """Return when what differs was written, by the moment of the clone; `None`: it is not known.

    `open`: by a program that had it open then; `meanwhile`: while the volume was being copied.
    """
    meanings = {meaning for _, meaning in item.told}
    if COPIED_OPEN in meanings:
        return "open"
    if COPIED_MEANWHILE in meanings:
        return "meanwhile"
    if any(meaning.since for meaning in meanings):
        return "after"
    moment = item.volume.survey.moment
    if moment is None:
        return None
    later = moment.is_after(item.source) or moment.is_after(item.target)
    return "after" if later else "before"


def other_name(item: Difference) -> Entry | None:
    """Return what the other drive has in place of a name that was moved or is spelt otherwise."""
    if not any(meaning in _MOVED for _, meaning in item.told):
        return None
    survey = item.volume.survey
    spelt = survey.respelt(item.path)
    if item.source is not None:
        return survey.found_as(item.source) or (spelt[1] if spelt else None)
    if item.target is not None:
        return survey.came_from(item.target) or (spelt[0] if spelt else None)
    return None


def is_of_a_person(item: Difference) -> bool:
    """Whether it is a person's work, or settings; else machines wrote it."""
    entry = item.source or item.target
    return entry is None or is_work(entry)
