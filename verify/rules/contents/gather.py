"""Many differences as few sentences: gathered by what they mean and by the folder they lie in."""

from __future__ import annotations

from dataclasses import dataclass, field
from heapq import nlargest
from typing import TYPE_CHECKING

from verify.matching.level import Level
from verify.matching.pair_contents import Difference, gravity
from verify.text.message import counted, say
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.matching.pair_contents import Bag, Meaning, Sorted
    from verify.rules.rule import RuleAnswer, Value

FEW = 3
"""Up to this many differences of one folder are reported one by one."""

MOST_GROUPS = 40
"""Groups reported for one meaning and partition: those with people's work first, then the largest.
The rest are one finding, which names its gravest."""

_ENOUGH = 8
"""Sentences for a meaning below `stop`, where wider folders allow it."""

_SHOWN_DEPTH = 3
"""Names of a path that a group goes by: `/Users/mira/Pictures`."""

_NODES = {
    "file": say("A file"),
    "folder": say("A folder"),
    "link": say("A symbolic link"),
    "other": say("A special file"),
}


@dataclass(slots=True)
class _Folder:
    """A folder that differs as a whole, and how much lies in it."""

    item: Difference
    names: int = 0
    bytes: int = 0


@dataclass(slots=True)
class _Group:
    """Differences that are reported together."""

    place: str
    items: list[Difference] = field(default_factory=list)

    def gravity(self) -> tuple[bool, int, int]:
        """Return what groups are sorted by: people's work, then bytes, then their number."""
        of_people = any(gravity(item)[0] for item in self.items)
        return of_people, sum(item.size for item in self.items), len(self.items)


def tell_gathered(answer: RuleAnswer, partition: int, differences: Sorted) -> None:
    """Tell all differences that are no expected changes, the heaviest meaning first."""
    bags = differences.told()
    for meaning in sorted(bags, key=lambda item: item.level.weight):
        _tell_bag(answer, partition, meaning, bags[meaning])


def folder_of(path: str, depth: int = _SHOWN_DEPTH) -> str:
    """Return the folder that a path is gathered under."""
    return "/" + "/".join(path.split("/")[1:-1][:depth])


def _tell_bag(answer: RuleAnswer, partition: int, meaning: Meaning, bag: Bag) -> None:
    folders, rest = _outermost_folders(bag.kept)
    depth = _SHOWN_DEPTH
    if meaning.level is not Level.STOP:
        if len(folders) > _ENOUGH:
            folders, rest = [], bag.kept
        while depth and sum(map(_sentences, _grouped(rest, depth))) + len(folders) > _ENOUGH:
            depth -= 1
    if len(folders) > MOST_GROUPS:
        folders.sort(key=lambda folder: (gravity(folder.item)[0], folder.bytes), reverse=True)
    for folder in folders[:MOST_GROUPS]:
        inside = counted(
            ", with {count} file or folder in it ({size})",
            ", with {count} files and folders in it ({size})",
            folder.names,
            size=decimal_size(folder.bytes),
        )
        message = say(
            "A folder {one}{inside}.", one=meaning.one, inside=inside if folder.names else ""
        )
        path = folder.item.path
        answer.find(meaning.level, message, meaning.advice, partition=partition, path=path)
    largest = sorted(_grouped(rest, depth), key=_Group.gravity, reverse=True)
    for group in largest[:MOST_GROUPS]:
        _tell_group(answer, partition, meaning, group)
    untold = sum(len(group.items) for group in largest[MOST_GROUPS:])
    untold += sum(1 + folder.names for folder in folders[MOST_GROUPS:])
    more = untold + bag.count - len(bag.kept)
    if more:
        message = counted(
            "{count} more file or folder of partition {partition} {fate}.",
            "{count} more files and folders of partition {partition} {fate}.",
            more,
            partition=partition,
            fate=meaning.one if more == 1 else meaning.several,
        )
        rest_kept = [item for group in largest[MOST_GROUPS:] for item in group.items]
        rest_kept += [folder.item for folder in folders[MOST_GROUPS:]]
        answer.find(
            meaning.level,
            message,
            meaning.advice,
            partition=partition,
            examples=first_paths(rest_kept),
        )


def first_paths(items: Sequence[Difference]) -> tuple[str, ...]:
    """Return the paths that a finding about many differences names, the gravest first."""
    return tuple(item.path for item in nlargest(FEW, items, key=gravity))


def _grouped(items: list[Difference], depth: int) -> list[_Group]:
    groups: dict[str, _Group] = {}
    for item in items:
        place = folder_of(item.path, depth)
        groups.setdefault(place, _Group(place)).items.append(item)
    return list(groups.values())


def _sentences(group: _Group) -> int:
    return 1 if len(group.items) > FEW else len(group.items)


def _outermost_folders(items: list[Difference]) -> tuple[list[_Folder], list[Difference]]:
    """Part the folders from what lies in none of them; a folder stands before its contents."""
    folders: list[_Folder] = []
    rest: list[Difference] = []
    for item in items:
        if folders and item.path.startswith(folders[-1].item.path + "/"):
            folders[-1].names += 1
            folders[-1].bytes += item.size
        elif _kind(item) == "folder":
            folders.append(_Folder(item))
        else:
            rest.append(item)
    return folders, rest


def _tell_group(answer: RuleAnswer, partition: int, meaning: Meaning, group: _Group) -> None:
    if len(group.items) > FEW:
        size = decimal_size(sum(item.size for item in group.items))
        only_files = all(_kind(item) == "file" for item in group.items)
        several, count = meaning.several, len(group.items)
        message = say(
            "{count} files under this folder ({size}) {several}.",
            count=count,
            size=size,
            several=several,
        )
        if not only_files:
            message = say(
                "{count} files and folders under this folder ({size}) {several}.",
                count=count,
                size=size,
                several=several,
            )
        answer.find(
            meaning.level,
            message,
            meaning.advice,
            partition=partition,
            path=group.place,
            examples=first_paths(group.items),
        )
        return
    for item in group.items:
        source, target = _values(item)
        answer.find(
            meaning.level,
            say("{what} {fate}.", what=_NODES[_kind(item)], fate=meaning.one),
            meaning.advice,
            partition=partition,
            path=item.path,
            source=source,
            target=target,
        )


def _kind(item: Difference) -> str:
    entry = item.source or item.target
    return entry.kind if entry else "other"


def _values(item: Difference) -> tuple[Value, Value]:
    old = say("{size:,} bytes", size=item.source.size) if item.source else None
    new = say("{size:,} bytes", size=item.target.size) if item.target else None
    return old, new
