"""Going through the folders of a volume: all of them in order, or first those that stand on top."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from verify.filesystem.entry import Entry
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

DEEPEST_FOLDER = 1_000
"""Levels of folders followed; what lies deeper is reported."""

MOST_BRANCHES = 512
"""Enough that two who take turns end at about the same time."""

MOST_ON_TOP = 20_000
"""Names that are held in memory at once for it."""


class Tree(Protocol):
    """A volume's folders."""

    incomplete: list[str]

    def children(self, folder: Entry | None) -> list[Entry]:
        """Return what a folder (`None`: the root) names, by code points.

        What cannot be read is reported in `incomplete`. Raises ReaderError where the root cannot.
        """
        ...

    def mark(self, folder: Entry | None) -> int | None:
        """Return what no two folders have in common; `None` for one that takes no place."""
        ...

    def is_branch(self, entry: Entry) -> bool:
        """Whether an entry is a folder with contents of its own."""
        ...


@dataclass(frozen=True, slots=True)
class Branch:
    """A folder of which all that is below has still to be listed; `known`: the folders on top.

    A folder that is found below two branches is followed below each of them.
    """

    folder: Entry
    known: frozenset[int]


def below(tree: Tree, branch: Branch | None = None) -> Iterator[Entry]:
    """Yield every name below a branch (`None`: below the root), a folder before its contents.

    Siblings come in the order of their names' code points.
    """
    top = None if branch is None else branch.folder
    known = frozenset[int]() if branch is None else branch.known
    seen = set(_marks(tree, top))
    depth = 0 if top is None else top.path.count("/")
    stack = [iter(tree.children(top))]
    while stack:
        entry = next(stack[-1], None)
        if entry is None:
            stack.pop()
            continue
        yield entry
        if not tree.is_branch(entry):
            continue
        if _is_new(tree, entry, seen, depth + len(stack), known):
            stack.append(iter(tree.children(entry)))


def _marks(tree: Tree, folder: Entry | None) -> list[int]:
    mark = tree.mark(folder)
    return [] if mark is None else [mark]


def _is_new(
    tree: Tree, folder: Entry, seen: set[int], depth: int, known: frozenset[int] = frozenset()
) -> bool:
    """Whether a folder is descended to; one that was seen before, or is known, is reported."""
    mark = tree.mark(folder)
    if mark in seen or mark in known:
        tree.incomplete.append(say("{path}: a folder that leads back to itself", path=folder.path))
        return False
    if depth > DEEPEST_FOLDER:
        tree.incomplete.append(
            say("{path}: a folder that lies too deep to be followed", path=folder.path)
        )
        return False
    if mark is not None:
        seen.add(mark)
    return True


@dataclass(slots=True)
class _Node:
    """A name on top; `below`: the names in it, once they are known."""

    entry: Entry
    below: list[_Node] | None = None


def crown(tree: Tree) -> list[Entry | Branch]:
    """Return the names on top, in the order of `below`, and branches in place of what is below.

    Folders are opened level by level until there are `MOST_BRANCHES`, or `MOST_ON_TOP` names; a
    small volume has no branches. Raises ReaderError where the root cannot be read.
    """
    seen = set(_marks(tree, None))
    root = [_Node(entry) for entry in tree.children(None)]
    names = len(root)
    closed = deque((node, 1) for node in root if tree.is_branch(node.entry))
    while closed and len(closed) < MOST_BRANCHES and names < MOST_ON_TOP:
        node, depth = closed.popleft()
        if not _is_new(tree, node.entry, seen, depth):
            continue
        node.below = [_Node(entry) for entry in tree.children(node.entry)]
        names += len(node.below)
        closed += ((item, depth + 1) for item in node.below if tree.is_branch(item.entry))
    branches = {id(node) for node, depth in closed if _is_new(tree, node.entry, seen, depth)}
    known = frozenset(seen)
    return list(_flat(root, branches, known))


def _flat(root: list[_Node], branches: set[int], known: frozenset[int]) -> Iterator[Entry | Branch]:
    stack = [iter(root)]
    while stack:
        node = next(stack[-1], None)
        if node is None:
            stack.pop()
            continue
        yield node.entry
        if id(node) in branches:
            yield Branch(node.entry, known)
        elif node.below is not None:
            stack.append(iter(node.below))
