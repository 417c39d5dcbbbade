"""What a drive's start-up files name, looked up on that drive: shared by boot and recovery rules.

A reference is resolved against the table of the drive it lies on. Of the two identities in a
device element both have to fit (docs/formats/bcd.md says what is known of that).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.boot.bios_loaders import is_bios_loader
from verify.boot.collect import wanted_bytes
from verify.filesystem.description import LOCKED_KINDS, READABLE_KINDS
from verify.manifest.header import Partition
from verify.rules.shared import is_efi_system, start_bytes
from verify.text.message import Message, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from verify.boot.boot_record import BootRecord
    from verify.boot.store_record import BootStore, Device, Reference
    from verify.manifest.header import Header
    from verify.rules.rule import Case, RuleAnswer

DATA_DRIVE = say("neither drive has files that start a system")
"""The reason of every rule here on a pair of drives that start nothing."""

_LOADER_PLACES = ("/efi/", "/bootmgr.efi")


@dataclass(frozen=True, slots=True)
class Place:
    """Where a device element leads: a partition, or the fault, or (neither) not understood."""

    partition: Partition | None = None
    fault: Message | None = None


# --- what is there ----------------------------------------------------------------------------


def records(header: Header) -> Iterator[tuple[Partition, BootRecord]]:
    """Yield the partitions whose start-up files were looked at, with what was found."""
    for partition in header.partitions:
        if partition.boot is not None:
            yield partition, partition.boot


def starts_a_machine(record: BootRecord) -> bool:
    """Whether a partition holds what firmware starts, or what a Linux system starts by."""
    loaders = any(
        item.path.lower().startswith(_LOADER_PLACES) or is_bios_loader(item.path)
        for item in record.loaders
    )
    return loaders or bool(record.stores or record.linux)


def starts(header: Header) -> bool:
    """Whether anything on a drive starts a system."""
    return any(starts_a_machine(record) for _, record in records(header))


def any_starts(case: Case) -> bool:
    """Whether either drive does: one that lost its boot partition is no data drive."""
    return starts(case.source) or starts(case.target)


def starts_by_firmware(header: Header, partition: Partition) -> bool:
    """Whether firmware starts from this partition; where none is marked for it, any may be."""
    marked = [item for item in header.partitions if is_efi_system(item) or item.active]
    return not marked or partition in marked


def stores(header: Header) -> Iterator[tuple[Partition, BootStore]]:
    """Yield every boot store with the partition it lies on."""
    for partition, record in records(header):
        for store in record.stores:
            yield partition, store


def partner(case: Case, new: Partition) -> Partition | None:
    """Return what a partition of the target was on the source."""
    return next((old for old, other in case.matched if other.number == new.number), None)


def became(case: Case, old: Partition | None, new: Partition) -> bool:
    """Whether a partition of the target is what this one of the source became."""
    was = partner(case, new)
    return old is not None and was is not None and was.number == old.number


def leave_out_unseen(case: Case, answer: RuleAnswer) -> None:
    """Leave out the partitions of either drive whose start-up files were not looked at.

    An encrypted volume's files cannot be seen; its bytes are judged by other rules, which is
    taken for granted here.
    """
    for header, drive in ((case.source, OLD), (case.target, NEW)):
        for partition in header.partitions:
            kind = partition.filesystem.kind
            if kind in READABLE_KINDS and partition.boot is None:
                answer.leave_out(
                    say(
                        "the start-up files on partition {number} of the {drive} drive were not"
                        " read",
                        number=partition.number,
                        drive=drive,
                    )
                )
            elif kind in LOCKED_KINDS:
                answer.assume(
                    say(
                        "partition {number} of the {drive} drive is encrypted; only its raw"
                        " bytes were compared",
                        number=partition.number,
                        drive=drive,
                    )
                )


# --- where a reference leads ------------------------------------------------------------------


def locate(header: Header, device: Device, own: Partition) -> Place:
    """Return where a device element leads on the drive it lies on.

    Args:
        header: that drive.
        device: the device element.
        own: the partition that holds the store: what the firmware started from.
    """
    inner = device.innermost
    if inner.kind == "boot":
        return Place(own)
    if inner.kind != "partition":
        return Place()
    found = _partition(header, inner)
    same_drive = inner.disk_id == header.table.disk_id
    if found is not None and same_drive:
        return Place(found)
    if found is not None and inner.scheme == "gpt":
        return Place(fault=say("has a different disk GUID (the partition's GUID matches)"))
    if same_drive:
        return Place(fault=say("has no such partition"))
    return Place(fault=say("has a different identifier"))


def references_fit(header: Header) -> bool:
    """Whether a boot store names partitions, and every one that is reachable is on the drive."""
    named_here = [
        locate(header, reference.device, partition)
        for partition, store in stores(header)
        for reference in store.references
        if reference.reachable and reference.device.innermost.kind == "partition"
    ]
    return bool(named_here) and all(place.partition is not None for place in named_here)


def _partition(header: Header, inner: Device) -> Partition | None:
    inside = (item for item in header.partitions if not item.container)
    if inner.scheme == "gpt":
        return next((item for item in inside if item.guid == inner.partition_id), None)
    offset = inner.partition_offset
    return next((item for item in inside if start_bytes(header, item) == offset), None)


def named(device: Device) -> Message:
    """Name in a sentence what a device element stands for."""
    inner = device.innermost
    if inner.kind != "partition":
        return say("{kind}", kind=inner.kind)
    if inner.scheme == "gpt":
        return say(
            "partition {guid} on disk {disk}",
            guid=inner.partition_id or "",
            disk=inner.disk_id or "",
        )
    return say(
        "the partition at byte {offset} of disk {disk}",
        offset=inner.partition_offset or 0,
        disk=inner.disk_id or "",
    )


def same_reference(references: Iterable[Reference], wanted: Reference) -> Reference | None:
    """Return the same element of the same object in another store."""
    key = wanted.object, wanted.element
    return next((item for item in references if (item.object, item.element) == key), None)


def source_store(
    case: Case, new: Partition, store: BootStore
) -> tuple[Partition, BootStore] | None:
    """Return what a store of the target was on the source: on the same partition, or by path."""
    alike = [item for item in stores(case.source) if item[1].path.lower() == store.path.lower()]
    old = partner(case, new)
    here = (item for item in alike if old is not None and item[0].number == old.number)
    return next(here, alike[0] if alike else None)


def file_state(partition: Partition, path: str) -> bool | None:
    """Whether a file is there; `None` where that cannot be told from what was looked at."""
    path = "/" + path.replace("\\", "/").lstrip("/")
    if partition.boot is None or not wanted_bytes(path, partition.filesystem.kind):
        return None
    return partition.boot.file(path) is not None
