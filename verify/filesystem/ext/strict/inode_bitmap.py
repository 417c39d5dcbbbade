"""The inode bitmap of a group."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.checksums import crc32c
from verify.filesystem.examination import Effect
from verify.filesystem.ext.strict.group_table import INODES_UNINITIALISED
from verify.text.message import say

if TYPE_CHECKING:
    import numpy.typing as npt

    from verify.filesystem.ext.strict.group_table import GroupTable
    from verify.filesystem.ext.strict.subject import Subject

_BITS = 8


def read_inode_bitmap(
    subject: Subject, table: GroupTable, group: int
) -> npt.NDArray[np.bool_] | None:
    """Return which inodes of a group are marked in use; `None` where that cannot be read."""
    layout = subject.layout
    per_group = layout.block.number("inodes_per_group")
    if not table.sound[group]:
        return None
    if layout.lazy and table.flags(group) & INODES_UNINITIALISED:
        return np.zeros(per_group, dtype=np.bool_)
    where, place = (
        (say("inode bitmap"), say("group {group}", group=group)),
        int(table.number("inode_bitmap")[group]),
    )
    data = subject.blocks_at(place, 1, where, Effect.REPAIRED)
    if data is None:
        return None
    bits, behind = data[: per_group // _BITS], data[per_group // _BITS :]
    subject.structure.compared()
    if layout.checksummed:
        stored, mask = table.checksum("inode_bitmap", group)
        wanted = crc32c(bits, layout.seed) & mask
        if stored != wanted:
            subject.find(Effect.REPAIRED, where, say("checksum"), f"{stored:X}", f"{wanted:X}")
    if behind.strip(b"\xff"):
        subject.find(
            Effect.REPAIRED, where, say("padding"), say("0 bits behind the end"), say("1 bits")
        )
    return np.unpackbits(np.frombuffer(bits, np.uint8), bitorder="little").astype(np.bool_)
