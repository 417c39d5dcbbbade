"""Reading a partition that has no readable filesystem: as blocks, nothing known of their use."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from blake3 import blake3

from verify.content.draw import BLOCK_BYTES, HIGHEST_KEY, RAW, Lottery, Lowest, blocks_in
from verify.content.report import Reporter
from verify.content.row import Block, encode_block
from verify.content.task import Answer, Task
from verify.errors import SourceUnreadable
from verify.source.window import Window

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
        with Path(self.task.rows).open("wb") as out:
            for index in indexes:
                offset = index * BLOCK_BYTES
                length = min(BLOCK_BYTES, self.window.size_bytes - offset)
                try:
                    digest = blake3(self.window.read(offset, length)).hexdigest()
                    read += length
                except SourceUnreadable:
                    digest = None
                    unreadable += 1
                out.write(encode_block(Block(index, digest)))
                self.report.advance(length)
        self.report.flush()
        self.answer.contents = {
            "blocks_in_draw": count,
            "blocks_drawn": len(indexes),
            "block_threshold": f"{max(0, threshold):016X}",
            "block_bytes": BLOCK_BYTES,
            "bytes_hashed": read,
            "blocks_unreadable": unreadable,
        }

    def _chosen(self, count: int) -> tuple[Sequence[int], int]:
        if self.task.depth == "full" or count <= self.task.sample_blocks:
            return range(count), HIGHEST_KEY
        lottery = Lottery.of(self.task.seed)
        draw: Lowest[int] = Lowest(self.task.sample_blocks)
        for index in range(count):
            draw.offer(lottery.block(RAW, index), index)
        return sorted(draw.items), draw.threshold
