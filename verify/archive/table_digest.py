"""A partition table in one digest: what tells whether a drive still is what it was."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from blake3 import blake3

if TYPE_CHECKING:
    from verify.manifest.header import Header


def table_digest(header: Header) -> str:
    """Return the BLAKE3 of a drive's scheme, identifier and partitions, as the table has them.

    Two drives with the same digest have the same table; a clone onto a drive of the same size
    has its source's.
    """
    rows = [
        [
            item.number,
            item.start_lba,
            item.sectors,
            item.type,
            item.guid,
            item.name,
            item.attributes,
            item.active,
        ]
        for item in header.partitions
    ]
    told = [header.table.scheme, header.table.disk_id, header.drive.sector_bytes, rows]
    return blake3(json.dumps(told, separators=(",", ":")).encode("ascii")).hexdigest()
