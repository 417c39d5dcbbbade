"""Drives to be fitted, built by hand, and their fits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tests.rules.cases import DATA, EFI, MIB, RECOVERY, RECOVERY_ATTRIBUTES, RESERVED, drive
from tests.rules.cases import partition as made
from verify.fit.capacity import parse_size
from verify.fit.plan import work_out
from verify.fit.solve import Wishes
from verify.fit.target import Target
from verify.manifest.file import open_manifest, write_manifest

if TYPE_CHECKING:
    from pathlib import Path

    from verify.fit.fit_document import FitDocument, FitPartition
    from verify.manifest.header import Header, Partition

GIB = 1 << 30

OLD_500_SECTORS = 976_773_168
"""A 500 GB drive: IDEMA LBA1-02's formula at 500."""


def five_partitions(*, used: int = 200 * GIB, **system: Any) -> list[Partition]:
    """Return a usual drive of 500 GB: 260 + 16 + 474,000 + 1,000 + 1,500 MiB from 1 MiB on."""
    return [
        made(1, 1, 260, "fat32", type=EFI, of={"id": "AAAA0001"}),
        made(2, 261, 16, "msr", type=RESERVED),
        made(3, 277, 474_000, of={"id": "AAAA0003", "used_bytes": used, **system}),
        made(
            4,
            474_277,
            1_000,
            type=RECOVERY,
            attributes=RECOVERY_ATTRIBUTES,
            of={"id": "AAAA0004", "used_bytes": 600 * MIB, "free_bytes": 400 * MIB},
        ),
        made(
            5,
            475_277,
            1_500,
            type=DATA,
            attributes=1,
            of={"id": "AAAA0005", "used_bytes": 900 * MIB, "free_bytes": 600 * MIB},
        ),
    ]


def old_500(partitions: list[Partition] | None = None, **changes: Any) -> Header:
    """Return the drive of 500 GB that they are on."""
    held = five_partitions() if partitions is None else partitions
    return drive(held, size_bytes=OLD_500_SECTORS * 512, **changes)


def target(text: str, sector_bytes: int = 512, **changes: Any) -> Target:
    """Return a target of a size."""
    fields: dict[str, Any] = {"name": text, "grain": MIB, **changes}
    return Target(capacity=parse_size(text, sector_bytes), **fields)


def fit_of(
    header: Header,
    onto: str | Target,
    folder: Path,
    *,
    what_if: tuple[str, ...] = (),
    **wishes: Any,
) -> FitDocument:
    """Return the fit of a drive onto a size; its manifest is written and read as any other."""
    file = folder / "old.manifest"
    write_manifest(file, header, {}, replace=True)
    aim = target(onto) if isinstance(onto, str) else onto
    others = [target(text) for text in what_if]
    return work_out(open_manifest(file), aim, Wishes(**wishes), others)


def rows(fit: FitDocument) -> dict[int, FitPartition]:
    """Return a fit's partitions by their numbers."""
    return {row.number: row for row in fit.partitions}


def places(fit: FitDocument) -> dict[int, tuple[int, int]]:
    """Return the first and the last sector of each partition by its number."""
    return {row.number: (row.start_lba, row.start_lba + row.sectors - 1) for row in fit.partitions}


def rules(fit: FitDocument) -> set[tuple[str, str]]:
    """Return the rule and level of every prediction."""
    return {(item.rule, str(item.level)) for item in fit.predictions}
