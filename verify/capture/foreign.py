"""Tells a drive from any other file, so that nobody gets a verdict about a text file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.errors import SourceForeign
from verify.text.message import say

if TYPE_CHECKING:
    from verify.source.drive import Drive
    from verify.table.partition_table import Table

_LOOK_BYTES = 512
_TEXT = frozenset({9, 10, 12, 13, *range(32, 127), *range(128, 256)})
"""ASCII's printable characters and white space, and the bytes that UTF-8 is made of beyond it."""


def refuse_foreign(drive: Drive, table: Table, kinds: list[str]) -> None:
    """Raise where an image file shows neither a table nor a filesystem and looks like another file.

    A device, or an image of nothing but zeros, is a drive whatever is on it.

    Raises:
        SourceForeign: with what it looks like.
    """
    empty_handed = table.scheme == "none" and kinds in ([], ["unknown"])
    if drive.identity.kind == "device" or not empty_handed:
        return
    head = drive.read_at(0, min(_LOOK_BYTES, drive.size_bytes))
    # NOTE: UTF-8 text has bytes above 127; a boot sector has zeros and other control bytes.
    if all(byte in _TEXT for byte in head):
        raise SourceForeign(drive.name, say("it is a text file"))
    if drive.size_bytes % 512 and any(head):
        reason = say("no partition table, no filesystem, and not a whole number of sectors")
        raise SourceForeign(drive.name, reason)
