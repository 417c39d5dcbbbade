"""Read a drive's partition table, whichever it is, and say which one decides and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from verify.source.window import Readable
from verify.structs.mbr import BOOT_RECORD_BYTES
from verify.table import gpt as gpt_table
from verify.table import mbr as mbr_table
from verify.table.gpt import Gpt
from verify.table.partition_table import Mbr, PartitionEntry, Table
from verify.table.recognise import Volume, volume_at
from verify.table.sectors import Sectors
from verify.table.units import candidate_sizes, choose_gpt, choose_mbr_size
from verify.text.message import say


def read_table(drive: Readable, *, sector_bytes: int, sector_known: bool) -> Table:
    """Read every partition table of a drive or an image.

    `sector_bytes` is the drive's logical sector size where the system told it (`sector_known`);
    an image tells none, and then it is found from where the tables stand. The state of the drive
    is data: nothing that stands on it raises.

    Raises:
        SourceVanished: the drive went away.
    """
    claimed = sector_bytes if sector_known else None
    sizes = candidate_sizes(claimed)
    head = Sectors(drive, BOOT_RECORD_BYTES)
    sector = head.read(0, BOOT_RECORD_BYTES, say("The boot record"))
    boot = mbr_table.parse_mbr(sector, drive.size_bytes) if sector else None
    covered = mbr_table.protective_end_lba(boot)
    views = [gpt_table.read_gpt(Sectors(drive, size), covered) for size in sizes]
    gpt, ambiguous = choose_gpt(views, claimed=sector_known)
    seen = _Seen(drive, sizes, boot, views, gpt, volume_at(drive, 0), head.problems)
    scheme = seen.scheme()
    if scheme == "gpt":
        seen.ambiguous += ambiguous
        return _gpt(seen, claimed)
    return _without_gpt(seen, scheme)


@dataclass(slots=True)
class _Seen:
    """What stands on the drive: its boot record, its GPT in each sector size, its volume."""

    drive: Readable
    sizes: tuple[int, ...]
    boot: Mbr | None
    views: list[Gpt]
    gpt: Gpt
    volume: Volume | None
    problems: list[str]
    ambiguous: list[str] = field(default_factory=list)

    def scheme(self) -> Literal["gpt", "mbr", "none"]:
        """Decide which table counts, and note what speaks against it."""
        kind = self.boot.kind if self.boot else "none"
        if kind not in {"none", "empty"}:
            return self._scheme_of_records(kind)
        if self.gpt.evident:
            primary = self.gpt.primary
            if self.volume is None or (primary and primary.header_good):
                return self._unprotected_gpt()
            # NOTE: a filesystem over the whole drive replaces the primary GPT, and leaves the
            # backup of the table that was there before.
            return "none"
        return "mbr" if kind == "empty" and self.volume is None else "none"

    def _scheme_of_records(self, kind: str) -> Literal["gpt", "mbr"]:
        if self.boot and self.boot.boot_sector_of:
            self.ambiguous.append(
                say(
                    "Sector 0 is a partition table and a {boot_sector_of} boot sector at the same"
                    " time.",
                    boot_sector_of=self.boot.boot_sector_of,
                )
            )
        if kind == "classic":
            return "mbr"
        if kind == "hybrid" and self.gpt.used is None:
            self.problems.append(
                say(
                    "The boot record names a GPT that cannot be read; only its other records are"
                    " left."
                )
            )
            return "mbr"
        return "gpt"

    def _unprotected_gpt(self) -> Literal["gpt"]:
        # SPEC: UEFI 2.10, section 5.2.3: a GPT counts only with its protective record. Nothing
        # else is on such a drive, so its partitions are reported all the same.
        self.problems.append(
            say("The boot record has no protective record (type EE): systems do not see this GPT.")
        )
        if self.volume:
            self.ambiguous.append(
                say(
                    "A GPT and a volume over the whole drive ({kind}) both begin here.",
                    kind=self.volume.kind,
                )
            )
        return "gpt"


def _gpt(seen: _Seen, claimed: int | None) -> Table:
    gpt = seen.gpt
    problems = [*seen.problems, *gpt.problems]
    partitions: tuple[PartitionEntry, ...] = ()
    chosen = gpt.chosen
    if chosen is None:
        problems.append(say("Neither copy of the GPT can be used: its partitions are not known."))
    else:
        partitions, backward = gpt_table.read_partitions(chosen, gpt.sector_bytes)
        problems += [backward] if backward else []
    named = chosen or next((copy for copy in gpt.copies if copy.header_good), None)
    for other in seen.views:
        if other is not gpt and other.signed and not other.evident:
            problems.append(
                say(
                    "A damaged GPT header for sectors of {sector_bytes} bytes stands here too.",
                    sector_bytes=other.sector_bytes,
                )
            )
    return Table(
        scheme="gpt",
        disk_id=named.header.disk_guid if named else None,
        sector_bytes=gpt.sector_bytes,
        written_for=gpt.sector_bytes if claimed and gpt.sector_bytes != claimed else None,
        mbr=mbr_table.with_problem(seen.boot, gpt.last_lba) if seen.boot else None,
        primary=gpt.primary.header if gpt.primary else None,
        backup=gpt.backup.header if gpt.backup else None,
        backup_expected_lba=gpt.last_lba,
        used=gpt.used,
        arrays_equal=gpt.arrays_equal,
        partitions=partitions,
        ambiguous=(*seen.ambiguous, *gpt.ambiguous),
        problems=tuple(problems),
    )


def _without_gpt(seen: _Seen, scheme: Literal["mbr", "none"]) -> Table:
    """Describe a drive whose boot record decides, or that has no table at all."""
    problems, boot = seen.problems, seen.boot
    sector_bytes, ambiguous = seen.sizes[0], list[str]()
    partitions: tuple[PartitionEntry, ...]
    if boot and scheme == "mbr":
        sector_bytes, ambiguous = choose_mbr_size(seen.drive, boot, seen.sizes)
        sectors = Sectors(seen.drive, sector_bytes, problems)
        partitions = mbr_table.read_partitions(sectors, boot)
        boot = mbr_table.with_problem(boot, sectors.last_lba)
    else:
        # NOTE: a GPT may have stood in what could not be read.
        problems += seen.gpt.unreadable
        whole = seen.drive.size_bytes // sector_bytes
        partitions = (PartitionEntry(number=0, start_lba=0, sectors=whole, type="", type_name=""),)
    stale = next((view for view in seen.views if view.signed), None)
    left = stale if stale and stale.sector_bytes == sector_bytes else None
    return Table(
        scheme=scheme,
        disk_id=boot.disk_signature if boot and scheme == "mbr" else None,
        sector_bytes=sector_bytes,
        written_for=sector_bytes if sector_bytes != seen.sizes[0] else None,
        mbr=boot,
        primary=left.primary.header if left and left.primary else None,
        backup=left.backup.header if left and left.backup else None,
        backup_expected_lba=left.last_lba if left else None,
        arrays_equal=left.arrays_equal if left else None,
        stale_gpt=stale is not None,
        partitions=partitions,
        ambiguous=(*seen.ambiguous, *ambiguous),
        problems=tuple(problems),
    )
