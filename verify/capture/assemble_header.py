"""Assembling a manifest's header from what was described and read."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from verify.capture.describe_drive import DescribedDrive, OutsidePartitions
from verify.capture.read_partitions import PartitionReading
from verify.filesystem.description import Filesystem, Unread
from verify.manifest.base import storable
from verify.manifest.header import Header, RawDigest
from verify.platforms.health import Health
from verify.source.drive import GIVEN_UP
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from verify.capture.describe_drive import DescribedPartition
    from verify.capture.readers.task import Answer
    from verify.capture.unlocked_view import Seen


@dataclass(slots=True)
class HeaderParts:
    """What a header is made of."""

    described: DescribedDrive
    reading: PartitionReading
    gap: RawDigest | None
    outside: OutsidePartitions
    health: Health | None = None

    def header(self, depth: str, capture: Mapping[str, Any]) -> Header:
        """Return the header; `capture`: how it was made, but for what was unreadable."""
        drive, outside, reading = self.described.drive, self.outside, self.reading
        views = {
            number: view_fields(reading.views[number], answer)
            for number, answer in reading.view_answers.items()
        }
        pairs = zip(self.described.partitions, reading.answers, strict=True)
        read = [(item, _doubted(item.filesystem, answer)) for item, answer in pairs]
        unread = [_at(item, number) for number in views for item in views[number]["unread"]]
        for item, answer in read:
            failed = self._failed_in_snapshot(item)
            own = (*_unread(answer), *failed, *item.filesystem.unread)
            unread += [_at(asdict(part), item.entry.number) for part in own]
        unread += [asdict(item) for item in outside.unread]
        if drive.given_up:
            unread.append({"what": say("whole drive"), "reason": GIVEN_UP})
        fields = {
            "depth": depth,
            "drive": self._drive(),
            "table": asdict(self.described.table),
            "partitions": [
                {
                    **_partition(item, answer, self._failed_in_snapshot(item)),
                    "view": views.get(item.entry.number),
                    "snapshot": self._snapshot(item),
                }
                for item, answer in read
            ],
            "gaps": [self.gap.model_dump()] if self.gap else [],
            "boot_code": None if outside.boot_code is None else asdict(outside.boot_code),
            "grub": [asdict(core) for core in outside.grub],
            "whole_drive": None if outside.whole_drive is None else asdict(outside.whole_drive),
            "remains": outside.remains,
            "health": None if self.health is None else asdict(self.health),
            "capture": {
                **capture,
                "unreadable": self._unreadable_sectors(),
                "owners": [owner for item, answer in read for owner in self._owners(item, answer)],
            },
            "unread": unread,
        }
        return Header.model_validate(storable(fields))

    def _drive(self) -> dict[str, Any]:
        drive = self.described.drive
        return {
            **asdict(drive.identity),
            "path": drive.name,
            "size_bytes": drive.size_bytes,
            "sector_bytes": drive.sector_bytes,
            "changed_while_read": self.outside.changed_while_read,
            "boot_sector_start": self.outside.boot_sector_start,
            "image": None if drive.image is None else asdict(drive.image),
        }

    def _snapshot(self, partition: DescribedPartition) -> dict[str, Any] | None:
        """Return which snapshot a partition was read from; `None`: it was read on the drive."""
        view = self.reading.views.get(partition.entry.number)
        if view is None or not view.is_snapshot:
            return None
        names = ("path", "file_id", "size_bytes", "tie")
        return {name: getattr(view, name) for name in names}

    def _failed_in_snapshot(self, partition: DescribedPartition) -> list[Unread]:
        count = self.reading.snapshot_failures.get(partition.entry.number)
        if count is None:
            return []
        reason = say("sectors of the snapshot that could not be read: {count}", count=count)
        return [Unread(what=say("contents"), reason=reason)]

    def _owners(self, partition: DescribedPartition, answer: Answer) -> list[dict[str, Any]]:
        """Return whose the unreadable bytes of a partition are, by sectors of the drive."""
        found, step = [], self.described.drive.sector_bytes
        for owner in answer.owners:
            start = partition.window.start + owner.start
            first, last = start // step, -(-(start + owner.length) // step)
            found.append(
                {
                    "partition": partition.entry.number,
                    "start_lba": first,
                    "sectors": last - first,
                    "what": owner.what,
                    "name": owner.name,
                }
            )
        return found

    def _unreadable_sectors(self) -> list[dict[str, int]]:
        """Return the sectors that failed, neighbours joined."""
        # NOTE: behind the last read of the drive, or what fails in it would be lost.
        drive = self.described.drive
        joined: list[dict[str, int]] = []
        for start, length in sorted({*self.reading.unreadable, *drive.unreadable}):
            first, count = start // drive.sector_bytes, -(-length // drive.sector_bytes)
            last = joined[-1] if joined else None
            if last and first <= last["start_lba"] + last["sectors"]:
                last["sectors"] = max(last["sectors"], first + count - last["start_lba"])
            else:
                joined.append({"start_lba": first, "sectors": count})
        return joined


def view_fields(seen: Seen, answer: Answer) -> dict[str, Any]:
    """Return the fields of a view's model, from what became of its task."""
    unread = _unread(answer)
    if answer.unreadable:
        # NOTE: they are sectors of the view, and stand in no list of the drive's.
        count = len(answer.unreadable)
        reason = f"sectors of the view that could not be read: {count}"
        unread.append(Unread(what="contents", reason=reason))
    return {
        "path": seen.path,
        "size_bytes": seen.size_bytes,
        "tie": seen.tie,
        "filesystem": asdict(seen.filesystem),
        **_read_fields(answer if answer.failure is None else replace(answer, contents=None)),
        "unread": [asdict(item) for item in unread],
    }


def _partition(partition: DescribedPartition, answer: Answer, more: list[Unread]) -> dict[str, Any]:
    """Return the fields of one partition's model; `more` was not read of it, either."""
    entry = asdict(partition.entry)
    del entry["record_lba"]
    return {
        **entry,
        "filesystem": asdict(partition.filesystem),
        **_read_fields(answer),
        "unread": [asdict(item) for item in (*_unread(answer), *more)],
    }


def _read_fields(answer: Answer) -> dict[str, Any]:
    """Return the fields that a partition and a view have in common: what was read."""
    fields = asdict(answer)
    names = ("listing", "contents", "boot", "hibernation", "change_journal", "examination")
    return {name: fields[name] for name in names}


def _unread(answer: Answer) -> list[Unread]:
    """Return what a reader could not read."""
    unread = [Unread(what=say("listing"), reason=words) for words in answer.incomplete]
    reasons = (answer.failure, answer.given_up)
    return unread + [Unread(what=say("contents"), reason=reason) for reason in reasons if reason]


def _at(item: Mapping[str, Any], number: int) -> dict[str, Any]:
    return {**item, "partition": number}


def _doubted(filesystem: Filesystem, answer: Answer) -> Answer:
    """Say so where a FAT shows clusters in use and no name: its root directory was lost.

    FAT32's root takes a cluster of its own, and a label none.
    """
    listing, cluster = answer.listing, filesystem.cluster_bytes
    if filesystem.traits.family != "fat" or listing is None or not cluster:
        return answer
    names = listing.files + listing.folders + listing.links + listing.others
    used_bytes = filesystem.used_bytes or 0
    if names or used_bytes <= cluster:
        return answer
    used = used_bytes // cluster
    words = say("/: {used} clusters are in use, but no name is listed", used=used)
    return replace(
        answer, incomplete=[*answer.incomplete, words], listing=replace(listing, complete=False)
    )
