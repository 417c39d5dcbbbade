"""What a volume tells of its last use beside the times of its files.

A time that both drives keep, the new one's no later, was brought along: the copy was made then or
afterwards. One that is later on the new drive was written there.

NOTE: the log of NTFS ($LogFile) holds no times. An ext superblock is written by whoever resizes,
checks or attaches the volume as well: its time is recorded, and tells no moment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.filesystem.description import KeptTime

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.description import KeptBy
    from verify.manifest.header import Partition

_SECOND = 1_000_000_000
_JOURNAL_STEP = 100
"""FILETIME counts 100 nanoseconds."""

_BROUGHT_ALONG: frozenset[KeptBy] = frozenset({"change-journal", "registry"})
_USED: frozenset[KeptBy] = frozenset({"change-journal", "registry", "mounted"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One such time, as both drives keep it.

    `set_back`: the old drive counts more writes and has the earlier time: the clock of its system
    was set back after the clone.
    """

    old: KeptTime
    new: KeptTime
    set_back: bool = False

    @property
    def used(self) -> bool:
        """Whether it was written on the new drive after the clone."""
        return self.new.by in _USED and self.new.at > self.old.at and not self.set_back

    @property
    def brought_along(self) -> bool:
        """Whether the copy was made at this time, or afterwards."""
        return self.new.by in _BROUGHT_ALONG and (self.new.at <= self.old.at or self.set_back)


def kept_times(partition: Partition) -> Iterator[KeptTime]:
    """Yield every such time of a volume."""
    yield from partition.filesystem.kept
    journal = partition.change_journal
    if journal is not None and journal.written is not None:
        yield KeptTime(by="change-journal", at=journal.written, step=_JOURNAL_STEP)
    registry = partition.boot.registry if partition.boot else None
    state = registry.state if registry else None
    if state is not None and state.intact and state.last_written is not None:
        yield KeptTime(by="registry", at=state.last_written * _SECOND, step=_SECOND)


def evidence(old: Partition, new: Partition, limit: int) -> list[Evidence]:
    """Return the times that both volumes keep, as far as they are of one thing.

    `limit`: nanoseconds since 1970 UTC; times beyond it are wrong ones.
    """
    before = {time.by: time for time in kept_times(old) if time.at <= limit}
    after = {time.by: time for time in kept_times(new) if time.at <= limit}
    journals = old.change_journal, new.change_journal
    if len({journal.id for journal in journals if journal is not None}) != 1:
        before.pop("change-journal", None)
    counts = _counts(old), _counts(new)
    return [
        Evidence(
            old=before[by],
            new=time,
            set_back=before[by].at < time.at and counts[0].get(by, 0) > counts[1].get(by, 0),
        )
        for by, time in sorted(after.items())
        if by in before
    ]


def _counts(partition: Partition) -> dict[KeptBy, int]:
    """Return how much was written by each that counts it, whatever the clock said."""
    journal = partition.change_journal
    registry = partition.boot.registry if partition.boot else None
    state = registry.state if registry else None
    return {
        "change-journal": journal.position if journal else 0,
        "registry": state.primary_sequence if state else 0,
    }
