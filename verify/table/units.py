"""In which sectors was a table written? Each size is tried; evidence decides, never a guess.

A table counts in the sectors that the drive claimed when it was written. An adapter may claim
others than the drive itself, and an image claims none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.structs import mbr as disk
from verify.table.mbr import extended_records, used_records
from verify.table.recognise import volume_at
from verify.table.sectors import peek
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.source.window import Readable
    from verify.table.gpt import Gpt
    from verify.table.partition_table import Mbr, MbrRecord

SECTOR_SIZES = (512, 4096)
"""Logical sector sizes of the drives of today, in bytes."""

SMALLEST_SECTOR = 512


def candidate_sizes(claimed: int | None) -> tuple[int, ...]:
    """Return the sector sizes to try, the drive's own first; `None` for an image."""
    own = claimed if claimed and claimed >= SMALLEST_SECTOR else SMALLEST_SECTOR
    return (own, *(size for size in SECTOR_SIZES if size != own))


def choose_gpt(views: Sequence[Gpt], *, claimed: bool) -> tuple[Gpt, list[str]]:
    """Choose among readings of the drive in different sectors, the drive's own first.

    Returns the reading to follow, and a sentence if more than one has a header that passes its
    tests. `claimed`: the drive itself says its sector size, which then decides.
    """
    evident = [view for view in views if view.evident]
    if not evident:
        return next((view for view in views if view.signed), views[0]), []
    best = evident[0] if claimed else max(evident, key=lambda view: view.soundness)
    if len(evident) == 1:
        return best, []
    sizes = say("{size:,} bytes", size=evident[0].sector_bytes)
    for view in evident[1:]:
        sizes = say("{sizes} and of {size} bytes", sizes=sizes, size=view.sector_bytes)
    return best, [say("Valid GPT headers stand here for sectors of {sizes}.", sizes=sizes)]


def choose_mbr_size(drive: Readable, boot: Mbr, sizes: Sequence[int]) -> tuple[int, list[str]]:
    """Choose the sector size in which the records point at what begins there.

    The drive's own size (the first) stands unless another one alone has evidence. Returns a
    sentence if several have.

    Raises:
        SourceVanished: the drive is gone.
    """
    own = sizes[0]
    evident = [size for size in sizes if _fits(drive, boot, size, own)]
    if len(evident) > 1:
        counted = say("{size}", size=evident[0])
        for size in evident[1:]:
            counted = say("{sizes} and in {size}", sizes=counted, size=size)
        return own, [
            say(
                "The boot record points at volumes in sectors of {counted} bytes alike.",
                counted=counted,
            )
        ]
    return (evident or [own])[0], []


def _fits(drive: Readable, boot: Mbr, size: int, own: int) -> bool:
    return any(_begins(drive, record, size, own) for record in used_records(boot.records))


def _begins(drive: Readable, record: MbrRecord, size: int, own: int) -> bool:
    """Whether something recognisable begins where `record` points, in sectors of `size` bytes."""
    start, length = record.starting_lba * size, record.size_in_lba * size
    if not start or start + disk.BOOT_RECORD_BYTES > drive.size_bytes:
        return False
    if size != own and start + length > drive.size_bytes:
        return False
    if record.type in disk.EXTENDED_TYPES:
        sector = peek(drive, start, disk.BOOT_RECORD_BYTES)
        return len(sector) == disk.BOOT_RECORD_BYTES and extended_records(sector) is not None
    volume = volume_at(drive, start)
    if volume is None or size <= own:
        return volume is not None
    # NOTE: a volume found further in may be an older one, or lie inside a file. Where it says its
    # size, it must be too large for the partition in the drive's own sectors, and fit in these.
    spans = volume.size_bytes
    return spans is None or record.size_in_lba * own < spans <= length
