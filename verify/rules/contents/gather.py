"""Many differences as few sentences: gathered by what they mean and by the folder they lie in."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.rules.model import Level
from verify.units import decimal_size

if TYPE_CHECKING:
    from verify.rules.comparison import Bag, Difference
    from verify.rules.model import Tally, Value

FEW = 3
"""So many differences of one folder are told one by one."""

MOST_GROUPS = 40
"""Groups told of one partition; the rest are told together."""

_SHOWN_DEPTH = 3
"""Names of a path that a group goes by: `/Users/mira/Pictures`."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a sort of difference means: its level, `what` of one file or several, and the advice.

    `what` ends a sentence that begins with "A file" or "12 files": "is missing on the new drive".
    """

    level: Level
    one: str
    several: str
    advice: str


def tell_gathered(
    tally: Tally, partition: int, found: list[tuple[Meaning, Difference]], bag: Bag
) -> None:
    """Tell differences that were each given a meaning; what the bag no longer kept is counted."""
    groups: dict[tuple[Meaning, str], list[Difference]] = defaultdict(list)
    for meaning, difference in found:
        groups[meaning, folder_of(difference.path)].append(difference)
    told = sorted(groups.items(), key=lambda item: (_WEIGHT[item[0][0].level], -len(item[1])))
    for (meaning, folder), differences in told[:MOST_GROUPS]:
        _tell_group(tally, partition, meaning, folder, differences)
    left: dict[Meaning, list[Difference]] = defaultdict(list)
    for (meaning, _), differences in told[MOST_GROUPS:]:
        left[meaning] += differences
    for meaning, differences in left.items():
        _tell_group(tally, partition, meaning, "/", differences)
    if bag.count > len(bag.kept) and found:
        worst = min((meaning for meaning, _ in found), key=lambda item: _WEIGHT[item.level])
        more = bag.count - len(bag.kept)
        message = f"{more} more files of partition {partition} differ in the same way."
        tally.find(worst.level, message, worst.advice, partition=partition)


def folder_of(path: str) -> str:
    """Return the folder that a path is gathered under."""
    names = path.split("/")[1:-1]
    return "/" + "/".join(names[:_SHOWN_DEPTH])


def _tell_group(
    tally: Tally, partition: int, meaning: Meaning, folder: str, differences: list[Difference]
) -> None:
    if len(differences) <= FEW:
        for item in differences:
            source, target = _values(item)
            what = _node(item)
            tally.find(
                meaning.level,
                f"{what} {meaning.one}.",
                meaning.advice,
                partition=partition,
                path=item.path,
                source=source,
                target=target,
            )
        return
    size = sum(_size(item) for item in differences)
    message = (
        f"{len(differences)} files and folders under one folder ({decimal_size(size)})"
        f" {meaning.several}."
    )
    tally.find(meaning.level, message, meaning.advice, partition=partition, path=folder)


def _node(item: Difference) -> str:
    entry = item.source or item.target
    kind = entry.kind if entry else "file"
    return {"file": "A file", "folder": "A folder", "link": "A symbolic link"}.get(kind, "A node")


def _size(item: Difference) -> int:
    entry = item.source or item.target
    return entry.size if entry else 0


def _values(item: Difference) -> tuple[Value, Value]:
    old = f"{item.source.size} bytes" if item.source else None
    new = f"{item.target.size} bytes" if item.target else None
    return old, new


_WEIGHT = {"stop": 0, "review": 1, "note": 2}
