"""What is read of a listing: drawn, or always, or all."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from verify.capture.file_reading import Wanted
from verify.capture.readers.task import Task
from verify.manifest.draw import FILE_BLOCK_BYTES, Lowest, LowestByPlace
from verify.manifest.partition_contents import Contents

if TYPE_CHECKING:
    from verify.capture.batch import Batch


@dataclass(slots=True)
class Selection:
    """The draws of one listing, and what is read whatever they say; entries by their numbers.

    `looked_at`: the machine starts from them. `placed`: files read for where they lie.
    """

    task: Task
    looked_at: list[int] = field(default_factory=list)
    _files: Lowest[int] = field(init=False)
    _blocks: Lowest[tuple[int, int]] = field(init=False)
    _places: LowestByPlace[int] = field(default_factory=LowestByPlace)
    _always: list[int] = field(default_factory=list)
    _apart: list[int] = field(default_factory=list)
    _everything: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Set the draws up; a `layout` draws nothing."""
        self._files = Lowest(self.task.sample_files if self.task.draws_files else 0)
        self._blocks = Lowest(self.task.sample_blocks if self.task.draws_blocks else 0)

    def take(self, batch: Batch, first: int) -> None:
        """Let a batch take part, whose first entry has the number `first`."""
        self.looked_at += [first + index for index in batch.looked_at]
        self._always += [first + index for index in batch.always]
        self._apart += [first + index for index in batch.apart]
        if self.task.depth == "full":
            self._everything += [first + index for index in batch.files]
        if not self.task.draws_files:
            self._files.offered += batch.drawable
        if not self.task.draws_blocks:
            self._blocks.offered += batch.drawable_blocks
        for number, index in batch.draws:
            self._files.offer(number, first + index)
        for number, index, block in batch.blocks:
            self._blocks.offer(number, (first + index, block))
        for place, number, index in batch.places:
            self._places.offer(place, number, first + index)

    @property
    def placed(self) -> set[int]:
        """Files that are read for where they lie, and that were not drawn."""
        return set(self._places.items) - set(self._files.items)

    def wanted(self) -> Wanted:
        """Return what is read of which entries."""
        wanted = Wanted(set(self._always))
        if self.task.depth != "layout":
            wanted.whole.update(self._files.items, self._everything, self.placed)
            wanted.apart.update(self._apart)
            for number, index in self._blocks.items:
                wanted.blocks.setdefault(number, []).append(index)
        return wanted

    def contents(self) -> Contents:
        """Return the contents of the partition before anything of them was read."""
        files, blocks = self._files, self._blocks
        return Contents(
            files_in_draw=files.offered,
            files_drawn=len(files.items),
            threshold=f"{max(0, files.threshold):016X}",
            blocks_in_draw=blocks.offered,
            blocks_drawn=len(blocks.items),
            block_threshold=f"{max(0, blocks.threshold):016X}",
            block_bytes=FILE_BLOCK_BYTES,
            always=len(self._always),
            placed=len(self.placed),
        )
