"""Read the master boot record, and the chain of extended boot records behind it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from verify.structs import mbr as disk
from verify.table.partition_table import Mbr, MbrRecord, PartitionEntry
from verify.table.recognise import boot_sector_volume
from verify.table.sectors import Sectors
from verify.table.type_names import MBR_TYPE_NAMES
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_EXTENDED_RECORDS = 128
"""More extended boot records than this (one a logical partition) are not followed."""

FIRST_LOGICAL = 5
"""The number of the first logical partition, by the custom of every system."""

UNKNOWN_SIZE = 0xFFFF_FFFF
"""SizeInLBA of a protective record on a drive too large for it (UEFI 2.10, section 5.2.3)."""


def parse_mbr(sector: bytes, drive_bytes: int) -> Mbr:
    """Read sector 0 (at least 512 bytes of it) as a master boot record and tell its kind.

    `drive_bytes` is the drive's size: a record that ends past it is no plausible record in a
    sector that is a filesystem's boot sector too.
    """
    boot = disk.BOOT_RECORD.parse(sector)
    records = _records(sector)
    volume = boot_sector_volume(sector)
    signature_ok = boot.raw("Signature") == disk.SIGNATURE
    kind: Literal["classic", "protective", "hybrid", "empty", "none"] = "none"
    if signature_ok and (_plausible(records, drive_bytes) if volume else _any_sound(records)):
        kind = _kind(records)
    return Mbr(
        signature_ok=signature_ok,
        disk_signature=f"{boot.number('UniqueMBRDiskSignature'):08X}",
        records=records,
        kind=kind,
        boot_code_zero=not any(boot.raw("BootStrapCode")),
        boot_sector_of=volume.kind if volume else None,
    )


def used_records(records: Sequence[MbrRecord]) -> list[MbrRecord]:
    """Return the records that name a partition."""
    # SPEC: UEFI 2.10, section 5.2.1: ignore records with an OSType or a SizeInLBA of 0.
    return [record for record in records if record.type and record.size_in_lba]


def protective_record(boot: Mbr | None) -> MbrRecord | None:
    """Return the record that says the drive has a GPT, if there is one."""
    if boot is None or boot.kind not in {"protective", "hybrid"}:
        return None
    return next(record for record in used_records(boot.records) if _is_protective(record))


def protective_end_lba(boot: Mbr | None) -> int | None:
    """Return the last LBA (inclusive) that the protective record covers, where it says so."""
    record = protective_record(boot)
    if record is None or record.size_in_lba == UNKNOWN_SIZE:
        return None
    return record.starting_lba + record.size_in_lba - 1


def with_problem(boot: Mbr, last_lba: int) -> Mbr:
    """Return `boot` with the first of its faults in words, on a drive that ends at `last_lba`."""
    return replace(boot, problem=_problem(boot, last_lba))


def read_partitions(sectors: Sectors, boot: Mbr) -> tuple[PartitionEntry, ...]:
    """List the partitions of a master boot record: 1 to 4, then the logical ones from 5.

    The protective record of a hybrid MBR is no partition. What cannot be followed is noted in
    `sectors.problems`.

    Raises:
        SourceVanished: the drive is gone.
    """
    primaries = [record for record in used_records(boot.records) if not _is_protective(record)]
    containers = [record for record in primaries if record.type in disk.EXTENDED_TYPES]
    if len(containers) > 1:
        sectors.problems.append(
            say(
                "The boot record names {count} extended partitions; one is allowed.",
                count=len(containers),
            )
        )
    chain = _Chain(sectors)
    for container in containers:
        chain.follow(container)
    return (*(_entry(record, record.slot, 0, 0) for record in primaries), *chain.logicals)


def _records(sector: bytes) -> tuple[MbrRecord, ...]:
    boot = disk.BOOT_RECORD.parse(sector)
    parsed = [
        (slot, disk.PARTITION_RECORD.parse(boot.raw(f"PartitionRecord{slot}")))
        for slot in range(1, 5)
    ]
    return tuple(
        MbrRecord(
            slot=slot,
            boot_indicator=record.number("BootIndicator"),
            type=record.number("OSType"),
            starting_lba=record.number("StartingLBA"),
            size_in_lba=record.number("SizeInLBA"),
        )
        for slot, record in parsed
    )


def _is_protective(record: MbrRecord) -> bool:
    return record.type == disk.PROTECTIVE_TYPE


def _kind(records: tuple[MbrRecord, ...]) -> Literal["classic", "protective", "hybrid", "empty"]:
    used = used_records(records)
    if not used:
        return "empty"
    if not any(map(_is_protective, used)):
        return "classic"
    return "protective" if len(used) == 1 else "hybrid"


def _any_sound(records: tuple[MbrRecord, ...]) -> bool:
    """Whether these bytes are partition records at all, where nothing else claims the sector."""
    # SPEC: Linux block/partitions/msdos.c: a boot indicator other than 00 and 80 is no table.
    # NOTE: one such record among good ones is a damaged record, and all of them are reported.
    return any(
        record.boot_indicator in disk.BOOT_INDICATORS or _is_protective(record)
        for record in used_records(records) or records
    )


def _plausible(records: tuple[MbrRecord, ...], drive_bytes: int) -> bool:
    """Whether a filesystem's boot sector holds a partition table as well."""
    used = sorted(used_records(records), key=lambda record: record.starting_lba)
    drive_sectors = drive_bytes // disk.BOOT_RECORD_BYTES
    if not used or any(record.boot_indicator not in disk.BOOT_INDICATORS for record in records):
        return False
    free_from = 1
    for record in used:
        # NOTE: some formatters put one record over the whole volume, from sector 0, into its own
        # boot sector (mformat of mtools does): that is the volume, not a table beside it.
        if record.starting_lba < free_from:
            return False
        free_from = record.starting_lba + record.size_in_lba
        if free_from > drive_sectors and not _is_protective(record):
            return False
    return True


def _problem(boot: Mbr, last_lba: int) -> str | None:
    if not boot.signature_ok:
        return say("Sector 0 has no 55 AA at byte 510.")
    if boot.kind == "none":
        return say("Sector 0 has 55 AA at byte 510, but holds no partition records.")
    for record in used_records(boot.records):
        if record.boot_indicator not in disk.BOOT_INDICATORS:
            return say(
                "Record {slot} has the boot indicator {boot_indicator}; it should be 00 or 80.",
                slot=record.slot,
                boot_indicator=format(record.boot_indicator, "02X"),
            )
    return _protective_problem(boot, last_lba)


def _protective_problem(boot: Mbr, last_lba: int) -> str | None:
    record = protective_record(boot)
    if record is None:
        return None
    if record.starting_lba != 1:
        return say(
            "The protective record starts at LBA {starting_lba}, not 1.",
            starting_lba=record.starting_lba,
        )
    # SPEC: UEFI 2.10, section 5.2.3: the drive's size less one, or FFFFFFFF if that is too large.
    # NOTE: some systems write FFFFFFFF on drives of any size; in a hybrid MBR it covers less.
    expected = min(last_lba, UNKNOWN_SIZE)
    if boot.kind == "protective" and record.size_in_lba not in {expected, UNKNOWN_SIZE}:
        return say(
            "The protective record covers {size_in_lba} sectors; it should be {expected}"
            " on this drive.",
            size_in_lba=record.size_in_lba,
            expected=expected,
        )
    return None


def _entry(record: MbrRecord, number: int, base_lba: int, record_lba: int) -> PartitionEntry:
    return PartitionEntry(
        number=number,
        start_lba=base_lba + record.starting_lba,
        sectors=record.size_in_lba,
        type=format(record.type, "02X"),
        type_name=MBR_TYPE_NAMES.get(record.type, ""),
        active=record.boot_indicator == disk.ACTIVE,
        container=record.type in disk.EXTENDED_TYPES,
        record_lba=record_lba,
    )


@dataclass(slots=True)
class _Chain:
    """The extended boot records of a drive, each visited once.

    # SPEC: Linux block/partitions/msdos.c, parse_extended: a logical partition starts relative
    # to its own record, the next record relative to the first; records 3 and 4 count only inside
    # the container.
    """

    sectors: Sectors
    logicals: list[PartitionEntry] = field(default_factory=list)
    visited: set[int] = field(default_factory=set)

    def follow(self, container: MbrRecord) -> None:
        base, end = container.starting_lba, container.starting_lba + container.size_in_lba
        at: int | None = base
        while at is not None:
            if at in self.visited:
                self._note(say("The chain of logical partitions comes back to LBA {at}.", at=at))
                return
            if len(self.visited) == MOST_EXTENDED_RECORDS:
                self._note(
                    say(
                        "More than {most_extended_records} extended boot records are not followed.",
                        most_extended_records=MOST_EXTENDED_RECORDS,
                    )
                )
                return
            self.visited.add(at)
            if not base <= at < end:
                self._note(
                    say("The extended boot record at LBA {at} lies outside its partition.", at=at)
                )
            records = self._read(at)
            links = [record for record in records if record.type in disk.EXTENDED_TYPES]
            for record in records:
                if record.type not in disk.EXTENDED_TYPES:
                    self._add(record, at, range(base, end))
            at = base + links[0].starting_lba if links else None

    def _read(self, at: int) -> list[MbrRecord]:
        sector = self.sectors.read(at, disk.BOOT_RECORD_BYTES, say("The extended boot record"))
        if sector is None:
            return []
        records = extended_records(sector)
        if records is None:
            self._note(say("The sector at LBA {at} is no extended boot record.", at=at))
        return records or []

    def _add(self, record: MbrRecord, at: int, container: range) -> None:
        entry = _entry(record, FIRST_LOGICAL + len(self.logicals), at, at)
        first, last = entry.start_lba, entry.start_lba + entry.sectors - 1
        if record.slot <= 2 or (first in container and last in container):  # noqa: PLR2004
            self.logicals.append(entry)

    def _note(self, sentence: str) -> None:
        self.sectors.problems.append(sentence)


def extended_records(sector: bytes) -> list[MbrRecord] | None:
    """Return the used records of an extended boot record; `None` if `sector` is not one."""
    records = _records(sector)
    if sector[510:512] != disk.SIGNATURE or boot_sector_volume(sector):
        return None
    if any(record.boot_indicator not in disk.BOOT_INDICATORS for record in records):
        return None
    return used_records(records)
