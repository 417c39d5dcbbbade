"""Small cases for rules, built by hand: two headers, their partitions, their files compared.

A drive here is 1,000 MiB of 512-byte sectors with a GPT, unless a test says otherwise; places and
sizes are given in MiB, and `changes` set any other field of the model.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from verify.filesystem.description import READABLE_KINDS, Filesystem
from verify.manifest.header import CaptureInfo, DriveInfo, Header, Partition
from verify.manifest.partition_contents import Listing
from verify.manifest.totals import COUNTS, Totals
from verify.matching.pair_contents import ContentComparison, PairContents
from verify.matching.pairing import match_partitions
from verify.rules.rule import Case, Finding, Outcome, Rule
from verify.table.partition_table import Checked, GptHeader, PartitionEntry, Table

if TYPE_CHECKING:
    from collections.abc import Iterable

MIB = 1 << 20
SECTOR = 512
PER_MIB = MIB // SECTOR
DRIVE_MIB = 1000

# UEFI 2.10 section 5.3.3 and Microsoft Learn, "PARTITION_INFORMATION_GPT".
EFI = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
RESERVED = "E3C9E316-0B5C-4DB8-817D-F92DF00215AE"
DATA = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
RECOVERY = "DE94BBA4-06D1-4D40-A16A-BFD50179D6AC"
RECOVERY_ATTRIBUTES = 0x8000_0000_0000_0001

DISK = "0AC0FFEE-0000-4000-8000-000000000001"


def guid(number: int) -> str:
    """Return an invented GUID of its own for a number."""
    return f"0AC0FFEE-0000-4000-8000-{number:012X}"


def volume(kind: str = "ntfs", size_mib: float = 100, **changes: Any) -> Filesystem:
    """Return a clean, half full filesystem of a kind."""
    plain = Filesystem(kind=kind)
    if kind in READABLE_KINDS:
        size = int(size_mib * MIB)
        plain = replace(
            plain,
            id="0123456789ABCDEF",
            label="Quire",
            sector_bytes=SECTOR,
            cluster_bytes=4096,
            size_bytes=size,
            free_bytes=size // 2,
            clean=True,
        )
    return replace(plain, **changes)


def partition(
    number: int,
    start_mib: float,
    size_mib: float,
    kind: str = "ntfs",
    *,
    of: dict[str, Any] | None = None,
    **changes: Any,
) -> Partition:
    """Return a partition with a filesystem that fills it; `of` changes the filesystem's fields."""
    readable = kind in READABLE_KINDS
    fields: dict[str, Any] = {
        "type": DATA,
        "guid": guid(number),
        "filesystem": volume(kind, size_mib, **(of or {})),
        "listing": Listing(files=3, folders=1, bytes=3000) if readable else None,
    }
    return Partition(
        number=number,
        start_lba=int(start_mib * PER_MIB),
        sectors=int(size_mib * PER_MIB),
        **(fields | changes),
    )


def usual(system_mib: float = 500) -> list[Partition]:
    """Return the four partitions of a Windows drive, each behind the one before."""
    return [
        partition(1, 1, 260, "fat32", type=EFI, of={"id": "AAAA0001"}),
        partition(2, 261, 16, "msr", type=RESERVED),
        partition(3, 277, system_mib, of={"id": "AAAA0003"}),
        partition(
            4,
            277 + system_mib,
            200,
            type=RECOVERY,
            attributes=RECOVERY_ATTRIBUTES,
            of={"id": "AAAA0004"},
        ),
    ]


def changed(partitions: list[Partition], which: int, /, **changes: Any) -> list[Partition]:
    """Return the same partitions, one of them with other fields."""
    return [
        item.model_copy(update=changes) if item.number == which else item for item in partitions
    ]


def refiled(partitions: list[Partition], number: int, **changes: Any) -> list[Partition]:
    """Return the same partitions, the filesystem of one with other fields."""
    chosen = next(item for item in partitions if item.number == number)
    return changed(partitions, number, filesystem=replace(chosen.filesystem, **changes))


def drive(
    partitions: Iterable[Partition] = (),
    *,
    size_mib: float = DRIVE_MIB,
    table: dict[str, Any] | None = None,
    capture: dict[str, Any] | None = None,
    depth: str = "sample",
    **changes: Any,
) -> Header:
    """Return the header of a drive; `table`, `capture` and the rest change fields of each part."""
    held = tuple(partitions)
    sectors = int(size_mib * PER_MIB)
    scheme = (table or {}).get("scheme", "gpt")
    plain = Table(
        scheme="gpt",
        disk_id=DISK if scheme == "gpt" else "00C0FFEE",
        sector_bytes=SECTOR,
        partitions=tuple(
            PartitionEntry(
                number=item.number,
                start_lba=item.start_lba,
                sectors=item.sectors,
                type=item.type,
                type_name="",
            )
            for item in held
        ),
    )
    if scheme == "gpt":
        plain = replace(
            plain,
            primary=gpt_copy(1, sectors),
            backup=gpt_copy(sectors - 1, sectors),
            backup_expected_lba=sectors - 1,
            used="primary",
        )
    info = {
        "path": "drive.img",
        "kind": "image",
        "size_bytes": int(size_mib * MIB),
        "sector_bytes": SECTOR,
    }
    made = {
        "tool_version": "0",
        "started": 100,
        "ended": 200,
        "host": "bench",
        "seed": "s",
        "confidence": 0.95,
    }
    return Header.model_validate(
        {
            "depth": depth,
            "drive": DriveInfo.model_validate(info | changes),
            "table": replace(plain, **(table or {})),
            "partitions": held,
            "capture": CaptureInfo.model_validate(made | (capture or {})),
        }
    )


def gpt_copy(at_lba: int, sectors: int, **changes: Any) -> GptHeader:
    """Return a valid GPT header of 128 entries (UEFI 2.10 section 5.3.2; 34 and last - 33)."""
    good = GptHeader(
        at_lba=at_lba,
        signature_ok=True,
        revision=0x10000,
        header_size=92,
        header_crc32=Checked(stored=1, computed=1),
        my_lba=Checked(stored=at_lba, computed=at_lba),
        alternate_lba=sectors - 1 if at_lba == 1 else 1,
        first_usable_lba=34,
        last_usable_lba=sectors - 34,
        disk_guid=DISK,
        entries_lba=2 if at_lba == 1 else sectors - 33,
        entries_count=128,
        entry_bytes=128,
        entries_crc32=Checked(stored=2, computed=2),
    )
    return replace(good, **changes)


def compared(number: int, **changes: Any) -> PairContents:
    """Return a pair's files, all compared and all the same."""
    counted = {name: changes.pop(name) for name in COUNTS if name in changes}
    totals = replace(Totals(rows=4, hashed=3, hashed_bytes=3000), **counted)
    return replace(PairContents(number=number, totals=totals), **changes)


def case_of(source: Header, target: Header, contents: Iterable[PairContents] | None = None) -> Case:
    """Return a case; without `contents`, every pair's files were compared and are the same."""
    pairs = match_partitions(source, target)
    if contents is None:
        contents = [compared(pair.number) for pair in pairs if pair.both and pair.both[0].readable]
    comparison = ContentComparison({item.number: item for item in contents})
    return Case(source=source, target=target, pairs=pairs, contents=comparison)


def answers(rule: Rule, case: Case) -> list[str]:
    """Return the outcomes of a rule, in words."""
    outcomes: tuple[Outcome, ...] = rule(case)[0]
    return [str(item.outcome) for item in outcomes]


def findings(rule: Rule, case: Case) -> list[Finding]:
    """Return the findings of a rule."""
    return list(rule(case)[1])


def told(rule: Rule, case: Case) -> list[tuple[str, int | None]]:
    """Return the level and the partition of each finding."""
    return [(str(item.level), item.partition) for item in findings(rule, case)]


def mirrored(case: Case) -> Case:
    """Return the case with its sides swapped."""
    return case_of(case.target, case.source, case.contents.pairs.values())


def told_both_ways(
    rule: Rule, case: Case
) -> tuple[list[tuple[str, int | None]], list[tuple[str, int | None]]]:
    """Return what a rule tells of a case and of its mirror image."""
    assert ("different" in answers(rule, case)) == ("different" in answers(rule, mirrored(case)))
    return told(rule, case), told(rule, mirrored(case))


def quiet(rule: Rule, case: Case) -> bool:
    """Whether a rule compared something, found nothing, and left nothing out."""
    outcomes, found = rule(case)
    return (
        not found
        and [item.outcome for item in outcomes] == ["same"]
        and all(item.compared > 0 for item in outcomes)
    )
