"""The bytes between the table and the first partition, where a BIOS loader keeps a part."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blake3 import blake3

from verify.errors import PastEnd, SourceUnreadable
from verify.manifest.header import RawDigest
from verify.source.window import Window
from verify.text.message import say
from verify.units import MIB

if TYPE_CHECKING:
    from verify.source.drive import Drive
    from verify.table.partition_table import Table

MOST_GAP_BYTES = 64 * MIB
"""Below depth `full` this much of a gap is hashed; a first partition usually starts at 1 MiB."""


def read_gap(drive: Drive, table: Table, *, whole: bool) -> RawDigest | None:
    """Hash what lies between the table and the first partition; `None` where there is no gap.

    All of it if `whole`, else `MOST_GAP_BYTES` at most.

    Trailing zeros are left out, so that the same bytes in a longer gap have the same digest.
    """
    first = min((item.start_lba for item in table.partitions), default=None)
    start = _table_end_lba(table)
    if first is None or table.scheme == "none" or first <= start:
        return None
    sectors = first - start
    length = sectors * table.sector_bytes
    length = length if whole else min(length, MOST_GAP_BYTES)
    window = Window(drive, start * table.sector_bytes, length, table.sector_bytes)
    hasher, content, zeros, at = blake3(), 0, 0, 0
    digest: str | None = None
    reason: str | None = None
    try:
        for piece in window.chunks(0, length, MIB):
            kept = piece.rstrip(b"\0")
            if kept:
                hasher.update(bytes(zeros))
                hasher.update(kept)
                content, zeros = at + len(kept), 0
            zeros += len(piece) - len(kept)
            at += len(piece)
        digest = hasher.hexdigest()
        if length < sectors * table.sector_bytes:
            reason = say("only its first {length} bytes were read", length=length)
    except (SourceUnreadable, PastEnd) as error:
        content, reason = 0, str(error)
    return RawDigest(
        what=say("between the table and the first partition"),
        start_lba=start,
        sectors=sectors,
        content_bytes=content,
        digest=digest,
        reason=reason,
    )


def _table_end_lba(table: Table) -> int:
    """Return the first sector behind the table at the start of the drive."""
    header = table.primary
    if table.scheme != "gpt":
        return 1
    if header is None or header.problem:
        return -(-(2 * table.sector_bytes + 128 * 128) // table.sector_bytes)
    array = header.entries_count * header.entry_bytes
    return header.entries_lba + -(-array // table.sector_bytes)
