"""Which records of an NTFS volume its MFT marks in use, as its first record tells it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examine_records import BITMAP_TYPE, RECORD, examined_record
from verify.filesystem.ntfs.examine_streams import list_entries, put_together
from verify.filesystem.ntfs.examined_volume import MFT, SYSTEM_NAMES, FaultyError
from verify.filesystem.ntfs.records import ATTRIBUTE_LIST_TYPE, DATA_TYPE
from verify.text.message import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from verify.filesystem.ntfs.examined_volume import Examined, Whole
    from verify.filesystem.ntfs.record_decoder import Attribute

_MOST_BITMAP_BYTES = 1 << 29
"""One bit for each record that a volume can have: 2^32 (Microsoft, 'NTFS overview')."""

TABLE_BITMAP = say("$MFT bitmap")


def records_marked(volume: Examined) -> NDArray[np.bool_]:
    """Return of each record that the MFT has room for whether it is marked in use.

    Where the first record or its bitmap cannot be read, that is recorded, and all records count as
    marked.
    """
    count = min(len(volume.table), volume.window.size_bytes // volume.table.record_bytes)
    try:
        stream, bitmap = _of_table(volume)
        count = min(count, stream.size // volume.table.record_bytes)
        data = volume.bytes_of(bitmap, min(_MOST_BITMAP_BYTES, volume.window.size_bytes))
    except FaultyError as error:
        volume.faulty(error, Effect.REFUSED, say("record 0"), MFT)
        return np.ones(count, np.bool_)
    bits = np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")
    marked = np.zeros(count, np.bool_)
    marked[: len(bits)] = bits[:count]
    beyond = int(np.count_nonzero(bits[count:]))
    if len(bits) < count:
        volume.fault(
            Effect.REFUSED,
            TABLE_BITMAP,
            say("record 0"),
            say("bits"),
            len(bits),
            say("{least} or more", least=count),
            node=MFT,
        )
    if beyond:
        volume.fault(
            Effect.WASTED,
            TABLE_BITMAP,
            say("record 0"),
            say("bits behind the last record"),
            beyond,
            0,
        )
    return marked


def _of_table(volume: Examined) -> tuple[Whole, Whole]:
    """Return the stream and the bitmap of the MFT.

    Raises:
        FaultyError: they cannot be read.
    """
    parts = _parts(volume, MFT)
    for listed in put_together(
        volume, [item for item in parts if item.type == ATTRIBUTE_LIST_TYPE]
    ):
        others = {entry.number for entry in list_entries(volume, listed)} - {MFT}
        for number in sorted(others):
            parts += _parts(volume, number)
    wanted = [item for item in parts if item.type in {DATA_TYPE, BITMAP_TYPE} and not item.name]
    found = {whole.kind: whole for whole in put_together(volume, wanted)}
    if len(found) < len({DATA_TYPE, BITMAP_TYPE}):
        raise FaultyError(RECORD, say("stream and bitmap"), sorted(found), say("both"), None)
    size = found[DATA_TYPE].size
    if size < len(SYSTEM_NAMES) * volume.table.record_bytes:
        raise FaultyError(
            "$MFT", "data_size", size, say("the system's records"), found[DATA_TYPE].at
        )
    return found[DATA_TYPE], found[BITMAP_TYPE]


def _parts(volume: Examined, number: int) -> list[Attribute]:
    table = volume.table
    at = table.place_of(number)
    try:
        data = table.read(number * table.record_bytes, table.record_bytes)
    except UNREADABLE:
        raise FaultyError(RECORD, say("contents"), say("unreadable"), say("readable"), at) from None
    return examined_record(volume, number, data, at or 0).attributes
