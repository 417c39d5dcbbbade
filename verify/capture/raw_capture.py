"""Reading a partition that has no readable filesystem: as blocks, nothing known of their use."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.capture.checkpoint import NO_NOTE, Checkpoint, digest_noted, read_again
from verify.capture.readers.messages import Reporter
from verify.capture.readers.task import Answer, Task
from verify.errors import ResumeRefused, SourceUnreadable
from verify.manifest.draw import BLOCK_BYTES, HIGHEST_KEY, RAW, Lottery, Lowest, blocks_in
from verify.manifest.partition_contents import Contents
from verify.manifest.row import Block, encode_block
from verify.source.window import Window
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(slots=True)
class RawReading:
    """One partition being read as blocks; `answer` fills as it goes."""

    task: Task
    window: Window
    report: Reporter
    answer: Answer

    def run(self) -> None:
        """Read the drawn blocks, or all of them, and write their rows."""
        count = blocks_in(self.window.size_bytes)
        indexes, threshold = self._chosen(count)
        self.report.send(expect=len(indexes) * BLOCK_BYTES)
        unreadable = read = 0
        with Path(self.task.rows).open("wb") as out, self._checkpoint() as checkpoint:
            known = self._restored(checkpoint)
            for index in indexes:
                length = self._length(index)
                digest: str | None = known.get(index)
                if digest is None:
                    digest = self._digest(index)
                    if checkpoint is not None and digest is not None:
                        checkpoint.note(index, digest.encode("ascii"))
                read += length if digest is not None else 0
                unreadable += digest is None
                out.write(encode_block(Block(index, digest)))
                self.report.advance(length)
        self.report.flush()
        self.answer.contents = Contents(
            blocks_in_draw=count,
            blocks_drawn=len(indexes),
            block_threshold=f"{max(0, threshold):016X}",
            block_bytes=BLOCK_BYTES,
            bytes_hashed=read,
            blocks_unreadable=unreadable,
        )

    def _length(self, index: int) -> int:
        return min(BLOCK_BYTES, self.window.size_bytes - index * BLOCK_BYTES)

    def _digest(self, index: int) -> str | None:
        try:
            data = self.window.read(index * BLOCK_BYTES, self._length(index))
        except SourceUnreadable:
            return None
        return blake3(data).hexdigest()

    def _checkpoint(self) -> AbstractContextManager[Checkpoint | None]:
        if self.task.checkpoint is None:
            return nullcontext()
        belongs = f"{self.window.start}+{self.window.size_bytes}"
        return Checkpoint(Path(self.task.checkpoint), belongs)

    def _restored(self, checkpoint: Checkpoint | None) -> dict[int, str]:
        """Return the blocks that were read before, if the drive is seen to be the same still.

        Raises:
            ResumeRefused: it is not.
        """
        if checkpoint is None:
            return {}
        try:
            known = {index: digest_noted(text) for index, text in checkpoint.noted()}
        except ValueError as error:
            raise ResumeRefused(str(checkpoint.path.parent), NO_NOTE) from error
        blocks = blocks_in(self.window.size_bytes)
        if known and not (checkpoint.fits and max(known) < blocks):
            raise ResumeRefused(str(checkpoint.path.parent), say("a partition has moved"))
        for index in read_again(sorted(known)):
            if self._digest(index) != known[index]:
                reason = say("block {index} of a partition has changed", index=index)
                raise ResumeRefused(str(checkpoint.path.parent), reason)
        return known

    def _chosen(self, count: int) -> tuple[Sequence[int], int]:
        if self.task.depth == "full" or count <= self.task.sample_blocks:
            return range(count), HIGHEST_KEY
        lottery = Lottery.of(self.task.seed)
        draw: Lowest[int] = Lowest(self.task.sample_blocks)
        for index in range(count):
            draw.offer(lottery.block(RAW, index), index)
        return sorted(draw.items), draw.threshold
