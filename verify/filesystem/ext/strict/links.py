"""Names against inodes: each name leads to an inode in use, each inode has its names.

Source: Linux fs/ext4/namei.c, e2fsck/pass2.c, pass3.c and pass4.c.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.folders import Names, target_columns
from verify.filesystem.ext.strict.inode_rows import DIRECTORY, EA_INODE, FORMAT, KINDS
from verify.filesystem.ext.strict.inodes import Inodes
from verify.filesystem.ext.strict.special import ROOT, Special
from verify.filesystem.ext.strict.subject import Subject
from verify.text.message import say

if TYPE_CHECKING:
    import numpy.typing as npt

    Numbers = npt.NDArray[np.int64]

_MOST_LEVELS = 32
"""Doublings on the way up to the root: paths of 2^32 folders."""


@dataclass(slots=True)
class LinkCheck:
    """Holds names and inodes against each other."""

    subject: Subject
    inodes: Inodes
    names: Names
    special: Special

    def run(self) -> None:
        """Examine all names and all inodes."""
        inodes = self.inodes
        folders, targets, kinds = target_columns(self.names)
        at, there = inodes.index(targets)
        self.subject.structure.compared(len(targets))
        first = self.special.first_inode
        bad = ~there | (targets < first) & (targets != ROOT) | (targets == ROOT)
        for index in np.flatnonzero(bad).tolist():
            self._tell(Effect.LOST, folders, targets, index, say("an inode in use"))
        good = ~bad
        self._check_kinds(folders, targets, kinds, at, good)
        is_folder = inodes.modes & FORMAT == DIRECTORY
        count = np.bincount(at[good], minlength=len(inodes.numbers))
        holder, known = inodes.index(folders)
        leads = good & is_folder[at] & known if len(inodes.numbers) else good
        below = np.bincount(holder[leads], minlength=len(inodes.numbers))
        self._check_links(count, below, is_folder)
        self._check_parents(targets[leads], folders[leads], is_folder)

    def _tell(
        self, effect: Effect, folders: Numbers, targets: Numbers, index: int, expected: str
    ) -> None:
        where = (say("folder"), say("inode {number}", number=folders[index]))
        target = int(targets[index])
        node = int(folders[index])
        self.subject.find(
            effect, where, say("entry"), say("inode {number}", number=target), expected, node=node
        )

    def _check_kinds(
        self,
        folders: Numbers,
        targets: Numbers,
        kinds: Numbers,
        at: Numbers,
        good: npt.NDArray[np.bool_],
    ) -> None:
        if not len(targets) or not len(self.inodes.numbers):
            return
        modes = self.inodes.modes[at]
        wanted = np.zeros(len(targets), dtype=np.int64)
        if "filetype" in self.subject.layout.features:
            for mode, kind in KINDS.items():
                wanted[modes & FORMAT == mode] = kind
        # NOTE: kind 0 is unknown, which every reader looks up in the inode.
        wrong = good & (kinds != wanted) & (kinds != 0)
        for index in np.flatnonzero(wrong).tolist():
            where = (
                say("folder"),
                say(
                    "inode {folder}, entry of inode {number}",
                    folder=folders[index],
                    number=targets[index],
                ),
            )
            stored, expected = int(kinds[index]), int(wanted[index])
            node = int(targets[index])
            self.subject.find(Effect.REPAIRED, where, "file_type", stored, expected, node=node)
        hidden = good & (self.inodes.flags[at] & EA_INODE != 0)
        for index in np.flatnonzero(hidden).tolist():
            self._tell(
                Effect.LOST, folders, targets, index, say("a file, not an attribute's value")
            )

    def _check_links(
        self, count: Numbers, below: Numbers, is_folder: npt.NDArray[np.bool_]
    ) -> None:
        inodes, numbers = self.inodes, self.inodes.numbers
        wanted = np.where(is_folder, 2 + below, count)
        many = is_folder & (inodes.links == 1) & ("dir_nlink" in self.subject.layout.features)
        apart = np.isin(numbers, sorted(self.special.nameless | self.special.orphans))
        apart |= inodes.flags & EA_INODE != 0
        lost = (count == 0) & ~apart
        for at in np.flatnonzero(lost).tolist():
            number = int(numbers[at])
            where = ("inode", say("inode {number}", number=number))
            self.subject.find(Effect.LOST, where, say("names"), 0, int(wanted[at]), node=number)
        twice = is_folder & (count > 1)
        for at in np.flatnonzero(twice).tolist():
            number = int(numbers[at])
            where = ("inode", say("inode {number}", number=number))
            self.subject.find(Effect.LOST, where, say("names"), int(count[at]), 1, node=number)
        ordinary = ~apart | (numbers == ROOT)
        wrong = ordinary & ~lost & ~twice & ~many & (inodes.links != wanted)
        for at in np.flatnonzero(wrong).tolist():
            number = int(numbers[at])
            where = ("inode", say("inode {number}", number=number))
            stored, expected = int(inodes.links[at]), int(wanted[at])
            self.subject.find(Effect.REPAIRED, where, "links_count", stored, expected, node=number)
        self.subject.structure.compared(len(numbers))

    def _check_parents(
        self, children: Numbers, parents: Numbers, is_folder: npt.NDArray[np.bool_]
    ) -> None:
        """Every folder's `..` is the one that names it, and all lead up to the root."""
        numbers = self.inodes.numbers
        up = np.arange(len(numbers), dtype=np.int64)
        at, _ = self.inodes.index(children)
        above, _ = self.inodes.index(parents)
        up[at] = above
        for child, parent in [*zip(children.tolist(), parents.tolist(), strict=True), (ROOT, ROOT)]:
            stored = self.names.parents.get(child)
            if stored is not None and stored != parent:
                where = (say("folder"), say("inode {number}", number=child))
                words = say("the entry ..")
                self.subject.find(Effect.REPAIRED, where, words, stored, parent, node=child)
        for _ in range(_MOST_LEVELS):
            up = up[up]
        root = int(np.searchsorted(numbers, ROOT))
        if root >= len(numbers) or numbers[root] != ROOT or not is_folder[root]:
            where = (say("inode"), say("inode {number}", number=ROOT))
            self.subject.find(
                Effect.REFUSED, where, say("root"), say("no folder"), say("a folder"), node=ROOT
            )
            return
        named = np.zeros(len(numbers), dtype=np.bool_)
        named[at] = True
        for index in np.flatnonzero(is_folder & named & (up != root)).tolist():
            # Below a folder without a name, which is reported itself; or in a circle.
            if named[up[index]]:
                number = int(numbers[index])
                where = (say("folder"), say("inode {number}", number=number))
                self.subject.find(
                    Effect.LOST,
                    where,
                    say("parents"),
                    say("a circle"),
                    say("the root"),
                    node=number,
                )
