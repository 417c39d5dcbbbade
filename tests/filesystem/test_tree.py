"""Going through folders: the walk as a whole, and the same in branches."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from verify.filesystem import tree
from verify.filesystem.entry import Entry
from verify.filesystem.tree import Branch, below, crown


@dataclass
class Folders:
    """A tree of folders by their marks: mark 0 is the root."""

    inside: dict[int, list[int]]
    incomplete: list[str] = field(default_factory=list)

    def children(self, folder: Entry | None) -> list[Entry]:
        """Return a folder's entries, named by their marks."""
        path, mark = ("", 0) if folder is None else (folder.path, folder.node)
        found = [Entry("folder", f"{path}/{item:03}", node=item) for item in self.inside[mark]]
        return sorted(found, key=lambda entry: entry.path)

    def mark(self, folder: Entry | None) -> int:
        """Return the number of a folder."""
        return 0 if folder is None else folder.node

    def is_branch(self, entry: Entry) -> bool:
        """Return whether it is a folder: those that hold something are."""
        return bool(self.inside.get(entry.node))


def in_branches(volume: Folders) -> list[str]:
    """List what is on top, and below each branch in its place."""
    paths: list[str] = []
    for item in crown(volume):
        if isinstance(item, Branch):
            paths += [entry.path for entry in below(volume, item)]
        else:
            paths.append(item.path)
    return paths


@given(parents=st.lists(st.integers(0, 200), max_size=120), most=st.integers(1, 9))
def test_branches_when_listed_in_their_places_then_the_walk_is_the_whole_one(
    parents: list[int], most: int
) -> None:
    """Any tree, opened to any number of branches."""
    inside: dict[int, list[int]] = {number: [] for number in range(len(parents) + 1)}
    for number, parent in enumerate(parents, 1):
        inside[parent % number].append(number)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tree, "MOST_BRANCHES", most)
        volume = Folders(inside)
        paths = in_branches(volume)
    assert paths == [entry.path for entry in below(Folders(inside))]
    assert len(paths) == len(parents)
    assert volume.incomplete == []


def test_folder_when_it_leads_back_then_it_is_told_and_not_followed() -> None:
    """To the root, to a folder above, and to one beside it."""
    volume = Folders({0: [1, 2], 1: [0, 3], 2: [3], 3: [1]})
    paths = [entry.path for entry in below(volume)]
    assert paths == ["/001", "/001/000", "/001/003", "/001/003/001", "/002", "/002/003"]
    assert volume.incomplete == [
        f"{path}: a folder that leads back to itself"
        for path in ("/001/000", "/001/003/001", "/002/003")
    ]


def test_folder_when_it_lies_too_deep_then_that_is_what_is_told() -> None:
    """A chain of folders ends where the walk does; the walk and its branches end alike."""
    chain = {number: [number + 1] for number in range(1_100)} | {1_100: []}
    volume = Folders(chain)
    names = sum(1 for _ in below(volume))
    assert names == tree.DEEPEST_FOLDER + 1
    assert [line.rsplit(": ", 1)[1] for line in volume.incomplete] == [
        "a folder that lies too deep to be followed"
    ]
    assert len(in_branches(Folders(chain))) == names
