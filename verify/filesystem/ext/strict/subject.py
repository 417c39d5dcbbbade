"""The volume under examination: its layout, and where what is found goes."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from verify.errors import PastEnd, SourceUnreadable
from verify.filesystem.careful_reading import Reader
from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect, Fault, Recorder
from verify.filesystem.ext.groups import Groups
from verify.source.window import Window
from verify.structs.base import Record
from verify.structs.ext import COMPAT, INCOMPAT, RO_COMPAT, SUPERBLOCK, SUPERBLOCK_OFFSET
from verify.text.message import Message, say, worded

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.structs.base import Structure

STEP_BYTES = 1 << 20
"""How much is read at once."""

LARGEST_BLOCK_SHIFT = 6
"""Blocks of 64 KiB: Linux fs/ext4/ext4.h, EXT4_MAX_BLOCK_LOG_SIZE 16."""

_FIRST_INODE = 11
"""The first inode of files, in revision 0."""


def columns(structure: Structure, size: int) -> np.dtype[np.void]:
    """Return a field table as columns of rows that are `size` bytes long."""
    return np.dtype(
        {
            "names": [item.name for item in structure.fields],
            "formats": [
                f"V{item.code[:-1]}" if item.code.endswith("s") else structure.order + item.code
                for item in structure.fields
            ],
            "offsets": [item.offset for item in structure.fields],
            "itemsize": size,
        }
    )


@dataclass(frozen=True, slots=True)
class Layout:
    """What a superblock says of the volume's shape; whether it can be is not asked here."""

    block: Record
    raw: bytes
    groups: Groups
    features: frozenset[str]
    unknown: tuple[str, ...]
    seed: int
    block_bytes: int
    blocks: int
    checksummed: bool
    """Whether every structure has a crc32c."""

    @property
    def lazy(self) -> bool:
        """Whether groups say which of their bitmaps and inodes were never written."""
        return self.checksummed or "uninit_bg" in self.features

    @property
    def first_inode(self) -> int:
        """The first inode that is not reserved."""
        return self.block.number("first_ino") if self.block.number("rev_level") else _FIRST_INODE

    @property
    def first_data_block(self) -> int:
        """The first block of the first group."""
        return self.block.number("first_data_block")

    def inode_seed(self, number: int, generation: int) -> int:
        """Return what the checksums of all that belongs to one inode start from."""
        return crc32c(struct.pack("<II", number, generation), self.seed)


def layout_of(window: Window) -> Layout:
    """Read the superblock.

    Raises:
        PastEnd, SourceUnreadable: it cannot be read.
    """
    raw = window.read(SUPERBLOCK_OFFSET, SUPERBLOCK.size)
    block = SUPERBLOCK.parse(raw)
    words: set[str] = set()
    unknown: list[str] = []
    if block.number("rev_level"):
        for of, names in (("compat", COMPAT), ("incompat", INCOMPAT), ("ro_compat", RO_COMPAT)):
            bits = block.number(f"feature_{of}")
            words |= {word for bit, word in names.items() if bits & bit}
            if bits & ~sum(names) and of != "compat":
                unknown.append(f"{of} {bits & ~sum(names):#x}")
    seed = crc32c(block.raw("uuid"))
    if "metadata_csum_seed" in words:
        seed = block.number("checksum_seed")
    groups = Groups(Reader(window), block)
    possible = block.number("log_block_size") <= LARGEST_BLOCK_SHIFT
    return Layout(
        block,
        raw,
        groups,
        frozenset(words),
        tuple(unknown),
        seed,
        groups.block_bytes if possible else 0,
        groups.blocks,
        "metadata_csum" in words,
    )


def place_of(number: int, block: int | None) -> Message:
    """Say where a fault of an inode lies: in which of its blocks, if in one of its own."""
    if block is None:
        return say("inode {number}", number=number)
    return say("inode {number}, block {block}", number=number, block=block)


@dataclass(slots=True)
class Subject:
    """One volume, as its journal leaves it; `structure` and `allocation` collect what is found."""

    window: Window
    layout: Layout
    alive: Callable[[], None]
    structure: Recorder = field(default_factory=Recorder)
    allocation: Recorder = field(default_factory=Recorder)
    tree_blocks: set[int] = field(default_factory=set)
    """Blocks of extent trees and block lists that were read: none is read twice."""

    def find(  # noqa: PLR0913 - the fields of a fault
        self,
        effect: Effect,
        where: tuple[str, str],
        name: str,
        stored: object,
        expected: object,
        *,
        offset: int | None = None,
        node: int | None = None,
    ) -> None:
        """Record a fault of a structure (`where`: its name and place)."""
        self.structure.fault(
            Fault(
                effect=effect,
                structure=where[0],
                place=where[1],
                field=name,
                stored=worded(stored),
                expected=worded(expected),
                offset=offset,
                node=node,
            )
        )

    def bytes_at(
        self,
        offset: int,
        length: int,
        where: tuple[str, str],
        effect: Effect,
        node: int | None = None,
    ) -> bytes | None:
        """Read a structure; `None`, recorded, where it lies outside or cannot be read."""
        try:
            return self.window.read(offset, length)
        except PastEnd:
            self.find(
                effect, where, say("place"), offset, say("in the volume"), offset=offset, node=node
            )
        except SourceUnreadable:
            self.structure.leave_out(
                say("{what} of {place}: it cannot be read", what=where[0], place=where[1])
            )
        return None

    def blocks_at(
        self,
        first: int,
        count: int,
        where: tuple[str, str],
        effect: Effect,
        node: int | None = None,
    ) -> bytes | None:
        """Read blocks of a structure; `None`, recorded, where that fails."""
        size = self.layout.block_bytes
        return self.bytes_at(first * size, count * size, where, effect, node)

    def scattered(
        self, numbers: Iterable[int], name: Callable[[int], tuple[str, str]], effect: Effect
    ) -> Iterator[tuple[int, bytes | None]]:
        """Yield (block, its bytes) in the order given, neighbours read at once."""
        size = self.layout.block_bytes
        most = max(1, STEP_BYTES // size)
        run: list[int] = []
        for number in [*numbers, None]:
            if run and (number is None or number != run[-1] + 1 or len(run) == most):
                try:
                    data = self.window.read(run[0] * size, len(run) * size)
                    yield from (
                        (block, data[at * size : (at + 1) * size]) for at, block in enumerate(run)
                    )
                except (PastEnd, SourceUnreadable):
                    for block in run:
                        yield block, self.blocks_at(block, 1, name(block), effect)
                run = []
            if number is not None:
                run.append(number)
