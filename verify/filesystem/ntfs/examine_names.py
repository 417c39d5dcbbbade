"""The names that an NTFS volume's records have against those that its folders give.

A record in use that no folder names cannot be opened: the folder's block is an old one, or was
lost. A name whose record is not in use, or was given to another file since, opens nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from verify.filesystem.examination import Effect
from verify.filesystem.ntfs.examine_records import RECORD
from verify.filesystem.ntfs.records import NUMBER, SEQUENCE_AT
from verify.text.message import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from verify.filesystem.ntfs.examine_indexes import NameIndexes
    from verify.filesystem.ntfs.examined_volume import Examined, Gathered, Words


ENTRY = say("NTFS index entry")


def hold_names(volume: Examined, gathered: Gathered, indexes: NameIndexes) -> None:
    """Hold both sides against each other, each name by its key and the reference to its record."""
    owners, keys, short = _joined(gathered.names, (np.uint64, np.uint64, np.bool_))
    references, given, given_short, folders, as_folder = _joined(
        indexes.found, (np.uint64, np.uint64, np.bool_, np.int64, np.bool_)
    )
    _hold_kinds(volume, gathered, references, as_folder)
    volume.structure.compared(len(owners) + len(references))
    lone, stray = _unmatched((owners, keys), (references, given))
    # NOTE: one name changed on either side leaves one unmatched on both, of the same record.
    renamed = set(owners[lone].tolist()) & set(references[stray].tolist())
    for index in stray.tolist():
        reference, folder = int(references[index]), int(folders[index])
        number = reference & NUMBER
        if number in gathered.broken:
            continue  # told already
        state = _state(gathered, reference)
        lost = state is not None and not given_short[index]
        volume.fault(
            Effect.LOST if lost else Effect.REPAIRED,
            ENTRY,
            say("folder record {folder}, entry of record {number}", folder=folder, number=number),
            say("record") if state else "$FILE_NAME",
            state or say("another name"),
            say("the record's own name"),
            node=folder if state else number,
        )
    for index in lone.tolist():
        reference = int(owners[index])
        number = reference & NUMBER
        if reference in renamed:
            continue
        volume.fault(
            Effect.REPAIRED if short[index] else Effect.LOST,
            RECORD,
            say("record {number}", number=number),
            "$FILE_NAME",
            say("in no folder") if not short[index] else say("short name in no folder"),
            say("an entry in its folder"),
            at=volume.table.place_of(number),
            node=number,
        )


def _hold_kinds(
    volume: Examined, gathered: Gathered, references: Words, as_folder: NDArray[np.bool_]
) -> None:
    """Hold that an entry calls a folder a folder, and a file a file, as its record does."""
    numbers = (references & np.uint64(NUMBER)).astype(np.int64)
    known = numbers < len(gathered.in_use)
    inside = np.where(known, numbers, 0)
    wrong = known & gathered.in_use[inside] & (gathered.folder[inside] != as_folder)
    for number in np.unique(numbers[wrong]).tolist():
        folder = bool(gathered.folder[number])
        volume.fault(
            Effect.REPAIRED,
            ENTRY,
            say("entry of record {number}", number=number),
            say("file flags"),
            say("a file") if folder else say("a folder"),
            say("a folder") if folder else say("a file"),
            node=number,
        )


def _state(gathered: Gathered, reference: int) -> str | None:
    """Return why a reference leads to nothing; `None`: it leads to a record."""
    number, sequence = reference & NUMBER, reference >> SEQUENCE_AT
    if number >= len(gathered.in_use):
        return say("record {number}, behind the last", number=number)
    if not gathered.in_use[number]:
        return say("not in use")
    if sequence != gathered.sequence[number]:
        return say("use {sequence}", sequence=sequence)
    return None


def _unmatched(
    ours: tuple[Words, Words], theirs: tuple[Words, Words]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return which of ours have no equal among theirs, and the other way round.

    Each is a pair of words; one that is there twice needs two.
    """
    count = len(ours[0])
    first, second = (np.concatenate(pair) for pair in zip(ours, theirs, strict=True))
    order = np.lexsort((second, first))
    sides = np.where(order < count, 1, -1)
    first, second = first[order], second[order]
    new = np.ones(len(order), np.bool_)
    new[1:] = (first[1:] != first[:-1]) | (second[1:] != second[:-1])
    starts = np.nonzero(new)[0]
    sums = np.add.reduceat(sides, starts) if len(starts) else sides
    if not sums.any():
        return order[:0], order[:0]
    group = np.cumsum(new) - 1
    odd = order[sums[group] != 0]
    return np.sort(odd[odd < count]), np.sort(odd[odd >= count] - count)


def _joined(parts: list[tuple[Any, ...]], types: tuple[Any, ...]) -> list[Any]:
    """Return the columns of what was gathered in pieces."""
    return [
        np.concatenate([np.zeros(0, kind), *(part[index] for part in parts)])
        for index, kind in enumerate(types)
    ]
