"""NTFS examined: what its driver and its checker need is whole, and no cluster is in danger.

The records are read in order, piece by piece; what they say is gathered, and held against the
indexes, the bitmaps and the system files. Nothing here is left to a library.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from verify.errors import StructureError
from verify.filesystem.careful_reading import UNREADABLE
from verify.filesystem.examination import Effect, Examination, Fault, Recorder
from verify.filesystem.ntfs.describe import geometry
from verify.filesystem.ntfs.examine_allocation import hold_allocation
from verify.filesystem.ntfs.examine_indexes import (
    BY_NAME,
    NameIndexes,
    place_of,
    report,
    view_entries,
)
from verify.filesystem.ntfs.examine_names import hold_names
from verify.filesystem.ntfs.examine_secure import SecurityFile, is_of_secure
from verify.filesystem.ntfs.examine_system import SystemFiles
from verify.filesystem.ntfs.examine_table import TableReading
from verify.filesystem.ntfs.examine_table_bitmap import records_marked
from verify.filesystem.ntfs.examined_volume import (
    MFT,
    SECURE,
    SYSTEM_NAMES,
    Examined,
    FaultyError,
    Gathered,
    TooLongError,
)
from verify.filesystem.ntfs.record_table import mft_of
from verify.structs.ntfs import BOOT_SECTOR
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from verify.source.window import Window


def examine_ntfs(window: Window, alive: Callable[[], None]) -> Examination:
    """Examine an NTFS volume; whatever it holds, this returns.

    Raises:
        SourceVanished: the drive went away.
    """
    try:
        boot = BOOT_SECTOR.parse(window.read(0, BOOT_SECTOR.size))
        sizes = geometry(boot)
        if sizes is None:
            raise StructureError(BOOT_SECTOR.name, 0, "sizes", say("those of NTFS"), say("others"))
        table = mft_of(window)
        if len(table) < len(SYSTEM_NAMES):
            raise StructureError("$MFT", 0, say("records"), say("the system's"), str(len(table)))
    except UNREADABLE as error:
        return _refused(error)
    volume = Examined(window, sizes, table, alive)
    _examine(volume)
    return Examination(structure=volume.structure.result(), allocation=volume.allocation.result())


def _examine(volume: Examined) -> None:
    marked = records_marked(volume)
    count = len(marked)
    gathered = Gathered(
        np.zeros(count, np.bool_), np.zeros(count, np.bool_), np.zeros(count, np.uint16)
    )
    TableReading(volume, gathered, marked).run()
    system = SystemFiles(volume, gathered)
    system.hold()
    indexes = NameIndexes(volume, gathered, system.upper_case())
    secure = SecurityFile(volume, gathered)
    for parts in gathered.indexes:
        volume.alive()
        try:
            if parts.name == BY_NAME:
                indexes.take(parts)
            elif is_of_secure(parts):
                secure.take(parts)
            else:
                view_entries(volume, parts)
        except TooLongError:
            volume.structure.leave_out(
                say("{place}: longer than any that is examined", place=place_of(parts))
            )
        except FaultyError as error:
            report(volume, parts, error)
    indexes.flush()
    if not indexes.partial:
        hold_names(volume, gathered, indexes)
    try:
        secure.hold()
    except TooLongError:
        volume.structure.leave_out(say("$Secure: longer than any that is examined"))
    except FaultyError as error:
        volume.faulty(error, Effect.LOST, SYSTEM_NAMES[SECURE], SECURE)
    hold_allocation(volume, gathered)


def _refused(error: Exception) -> Examination:
    """Return the examination of a volume whose first structures cannot be read."""
    structure, allocation = Recorder().compared(), Recorder()
    field = error.field if isinstance(error, StructureError) else say("contents")
    structure.fault(
        Fault(
            effect=Effect.REFUSED,
            structure="$MFT",
            place=say("record 0"),
            field=field,
            stored=error.got if isinstance(error, StructureError) else say("unreadable"),
            expected=error.expected if isinstance(error, StructureError) else say("readable"),
            node=MFT,
        )
    )
    allocation.leave_out(say("$MFT cannot be read"))
    return Examination(structure=structure.result(), allocation=allocation.result())
