"""Evidence that the drive given as the old one is the clone; a part of the rule `drive-pair`.

A clone keeps traces of the place it was copied from. Where what is on one drive was made for the
layout of the other, that other one is the older. Evidence in both directions says nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.rules.boot.resolve import stores
from verify.rules.filesystem.hidden_sectors import right_places
from verify.rules.recovery.recovery_reference import configs
from verify.rules.rule import Level
from verify.rules.shared import start_bytes, was_resized
from verify.rules.usage import signs_of_use
from verify.text.message import Message, all_of, counted, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header, Partition
    from verify.rules.rule import Case, RuleAnswer

_CHECK = say(
    "Compare the serial numbers with the labels; if the sides are swapped,"
    " check again the right way round."
)
_LARGEST_TAIL = 64
"""Sectors behind the last usable one in a GPT made for its drive: 5 or 33, and some to align."""

DAY_SECONDS = 86_400

_CERTAIN = 2
"""So many independent structures leave no other reading."""


def tell_swapped(case: Case, answer: RuleAnswer) -> None:
    """Tell of evidence that the sides are swapped."""
    forward = tuple(_made_for(case.target, case.source, _flipped(case)))
    backward = tuple(_made_for(case.source, case.target, case.matched))
    if backward and not forward:
        level = Level.STOP if len(backward) >= _CERTAIN else Level.REVIEW
        made = all_of(backward)
        message = say("The sides may be swapped: {made}.", made=made)
        if level is Level.STOP:
            message = say("The sides are swapped: {made}.", made=made)
        answer.find(level, message, _CHECK, source=_name(case.source), target=_name(case.target))
        return
    if days := _days_in_use(case):
        message = counted(
            "The old drive was in use {count} day longer than the new one: it was used after the"
            " clone, or the sides are swapped.",
            "The old drive was in use {count} days longer than the new one: it was used after the"
            " clone, or the sides are swapped.",
            days,
        )
        answer.find(
            Level.REVIEW, message, _CHECK, source=_name(case.source), target=_name(case.target)
        )


def _flipped(case: Case) -> tuple[tuple[Partition, Partition], ...]:
    return tuple((new, old) for old, new in case.matched)


def _name(header: Header) -> str:
    return header.drive.serial or header.drive.path


def _made_for(
    here: Header, other: Header, pairs: tuple[tuple[Partition, Partition], ...]
) -> Iterator[Message]:
    """Yield what of a drive was made for the other drive's layout and not for its own."""
    if any(_starts_there(here, other, *pair) for pair in pairs):
        yield say("boot sectors of the old drive record the start on the new one")
    if _is_table_of(here, other):
        yield say("the partition table of the old drive was written for the size of the new one")
    if _names_drive(here, other) or _names_recovery(here, other, pairs):
        yield say("start-up files of the old drive name the new one")


def _starts_there(here: Header, other: Header, own: Partition, far: Partition) -> bool:
    """Whether a boot sector records the start of the other drive's partition, and not its own."""
    filesystem = own.filesystem
    if not filesystem.hidden_sectors or start_bytes(here, own) == start_bytes(other, far):
        return False
    recorded = filesystem.hidden_sectors * (filesystem.sector_bytes or here.table.sector_bytes)
    far_hidden = far.filesystem.hidden_sectors
    far_unit = far.filesystem.sector_bytes or other.table.sector_bytes
    settled = far_hidden is not None and far_hidden * far_unit == start_bytes(other, far)
    return (
        settled and recorded == start_bytes(other, far) and recorded not in right_places(here, own)
    )


def _is_table_of(here: Header, other: Header) -> bool:
    """Whether a GPT was made for a drive that ends where the other one does."""
    units = here.table.sector_bytes, other.table.sector_bytes
    ends = tuple(
        header.drive.unpadded_bytes // header.table.sector_bytes - 1 for header in (here, other)
    )
    tables = here.table.primary or here.table.backup, other.table.primary or other.table.backup
    mine, theirs = tables
    if mine is None or theirs is None or units[0] != units[1] or ends[0] == ends[1]:
        return False
    settled = 0 < ends[1] - theirs.last_usable_lba <= _LARGEST_TAIL
    backups = {mine.alternate_lba, here.table.backup.at_lba if here.table.backup else None}
    ends_there = 0 < ends[1] - mine.last_usable_lba <= _LARGEST_TAIL
    ends_here = 0 < ends[0] - mine.last_usable_lba <= _LARGEST_TAIL
    return settled and not ends_here and (ends_there or ends[1] in backups)


def _names_drive(here: Header, other: Header) -> bool:
    """Whether boot stores name the other drive and never their own, and the other's never this."""
    ids = here.table.disk_id, other.table.disk_id
    if None in ids or ids[0] == ids[1]:
        return False
    named, far_named = (set(_named_drives(header)) for header in (here, other))
    return ids[1] in named and ids[0] not in named and ids[0] not in far_named


def _named_drives(header: Header) -> Iterator[str | None]:
    for _, store in stores(header):
        for reference in store.references:
            if reference.reachable:
                yield reference.device.innermost.disk_id


def _names_recovery(
    here: Header, other: Header, pairs: tuple[tuple[Partition, Partition], ...]
) -> bool:
    """Whether a recovery configuration names the place that its partition has on the other drive.

    The other drive's own has to name that place as well, and rightly.
    """
    moved = {
        start_bytes(other, far): start_bytes(here, own)
        for own, far in pairs
        if start_bytes(other, far) != start_bytes(here, own)
    }
    own_starts = {start_bytes(here, item) for item in here.partitions}
    named, far_named = (set(_named_places(header)) for header in (here, other))
    return any(place in far_named and place not in own_starts for place in named & moved.keys())


def _named_places(header: Header) -> Iterator[int]:
    for _, config in configs(header):
        location = config.location()
        if config.enabled is not False and location is not None and location.offset:
            yield location.offset


def _days_in_use(case: Case) -> int:
    """Return for how many whole days longer the old drive was in use; 0 where anything objects.

    By the times that the system's registry and ext filesystems keep of their last write.
    """
    longest = 0
    for old, new in case.matched:
        here, there = (signs_of_use(case, old, new, side) for side in ("source", "target"))
        if there is not None and (there.registry_newer or there.volume_newer):
            return 0
        if here is None or not (here.registry_newer or here.volume_newer):
            continue
        for late, early in _times(case, old, new):
            longest = max(longest, (late - early) // DAY_SECONDS)
    return longest


def _times(case: Case, old: Partition, new: Partition) -> Iterator[tuple[int, int]]:
    """Yield the pairs of times (seconds since 1970) that both sides keep of their last write."""
    states = [
        side.boot.registry.state if side.boot and side.boot.registry else None
        for side in (old, new)
    ]
    registry = [state.last_written if state and state.intact else None for state in states]
    volume = [side.filesystem.last_written for side in (old, new)]
    if was_resized(case, old, new):
        volume = [None, None]
    for late, early in (registry, volume):
        if late is not None and early is not None:
            yield late, early
