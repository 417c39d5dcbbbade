"""What a reader of one filesystem offers: every name in order, and the bytes behind a name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from verify.filesystem.tree import Tree

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.filesystem.description import ChangeJournal
    from verify.filesystem.entry import Entry

MOST_EXTENTS = 1_000
"""Runs kept of one file; a file in more pieces is read as well, its further runs are not listed."""


@dataclass(frozen=True, slots=True)
class Place:
    """`length` bytes from byte `start` of a volume, and what is there (`None`: the file itself)."""

    name: str | None
    start: int
    length: int


class Volume(Tree, Protocol):
    """A filesystem whose files can be listed and read.

    `incomplete` says, in words, each part of the listing that could not be read. `narrowed`
    counts reads that failed and were answered up to the first sector that does: whether what was
    wanted lies there, the places of the file tell.
    """

    incomplete: list[str]

    @property
    def narrowed(self) -> int:
        """Failed reads that were answered in part."""
        ...

    def entries(self) -> Iterator[Entry]:
        """Yield every allocated name but the root, a folder before its contents.

        Siblings come in the order of their names' code points, so that two listings can be
        merged as they stream. Raises ReaderError where the root itself cannot be read.
        """
        ...

    def straight(self, node: int, size: int) -> bytes | int | None:
        """Return a file's contents where its record holds them, or the byte where they all lie.

        There all `size` bytes follow each other as they are. `None`: `read` alone knows them.
        """
        ...

    def prepare(self, nodes: Iterable[int]) -> None:
        """Read ahead what it takes to open these files, which are read next."""
        ...

    def read(self, entry: Entry, offset: int, length: int, stream: str | None = None) -> bytes:
        """Return exactly `length` bytes of a file (or of a named stream) from byte `offset`.

        Raises:
            ReaderError: the library does not give them back whole.
        """
        ...

    def reparse_data(self, entry: Entry) -> bytes:
        """Return the data of a reparse point; empty where there is none."""
        ...

    def place(self, first: int, count: int) -> Place:
        """Return where a run of clusters, as `Entry.extents` has it, lies."""
        ...

    def places(self, entry: Entry) -> Iterator[Place]:
        """Yield where all of an entry's bytes lie; those of a named stream with `path:stream`.

        Raises:
            ReaderError: its record cannot be read.
        """
        ...

    def change_journal(self) -> ChangeJournal | None:
        """Return what the volume's journal of changes says; `None` where there is none."""
        ...

    def structures(self) -> Iterator[Place]:
        """Yield where the filesystem's own structures lie, as far as they can be found."""
        ...
