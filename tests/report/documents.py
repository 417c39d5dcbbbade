"""Headers and comparisons built by hand: invented drives, for the views alone."""

from __future__ import annotations

from verify.filesystem.description import Filesystem
from verify.manifest.header import CaptureInfo, DriveInfo, Header, Partition, UnreadItem
from verify.manifest.partition_contents import Listing
from verify.rules.comparison_document import (
    Bound,
    Comparison,
    Evidence,
    FindingRow,
    ManifestRow,
    Manifests,
    OutcomeRow,
    PairRow,
    ToolInfo,
)
from verify.rules.judge_drives import identity_of
from verify.rules.rule import Level, Result
from verify.table.partition_table import Table

DISK_ID = "6B1F3C52-8A0E-4D77-9C41-52D0A7E9B310"
EFI = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
BASIC_DATA = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
CAPTURED = 1_750_000_000


def partition(
    number: int,
    sectors: int,
    kind: str = "ntfs",
    label: str | None = None,
    type_name: str = "Microsoft basic data",
) -> Partition:
    """Return a partition of that many sectors; its GUID follows from its number."""
    return Partition(
        number=number,
        start_lba=2048 * number,
        sectors=sectors,
        type=EFI if type_name == "EFI system" else BASIC_DATA,
        type_name=type_name,
        guid=f"00000000-0000-0000-0000-{number:012d}",
        filesystem=Filesystem(kind=kind, label=label, id="1A2B3C4D5E6F7081", cluster_bytes=4096),
        listing=Listing(files=1200, folders=34, bytes=5_000_000),
    )


OLD_DRIVE = DriveInfo(
    path="old.img",
    kind="device",
    size_bytes=500_107_862_016,
    sector_bytes=512,
    model="Pebblestone PS-500",
    serial="PS0012345",
    serial_source="drive",
)
NEW_DRIVE = DriveInfo(
    path="new.img",
    kind="device",
    size_bytes=480_103_981_056,
    sector_bytes=512,
    model="Marlstone 7",
    serial="ML-77-0409",
    serial_source="drive",
)
"""No fact of one drive is one of the other: what names the wrong one is seen."""


def header(
    path: str,
    partitions: tuple[Partition, ...],
    disk_id: str = DISK_ID,
    drive: DriveInfo = OLD_DRIVE,
) -> Header:
    """Return the header of a drive with a GPT that nobody checked."""
    return Header(
        depth="sample",
        drive=drive.model_copy(update={"path": path}),
        table=Table(scheme="gpt", disk_id=disk_id, sector_bytes=512),
        partitions=partitions,
        capture=CaptureInfo(
            tool_version="0.1.0",
            started=CAPTURED,
            ended=CAPTURED + 60,
            host="bench",
            seed="00",
            confidence=0.95,
        ),
        unread=(UnreadItem(what="drive identity", reason="told on Linux only"),),
    )


def finding(  # noqa: PLR0913 - a finding has that many sides, all named
    rule: str = "file-missing",
    level: Level = Level.STOP,
    *,
    partition: int | None = 3,
    path: str | None = None,
    message: str = "2 files of the old drive are not on the new one.",
    advice: str = "Copy them, then check again.",
    values: tuple[str | int | None, str | int | None] = (None, None),
) -> FindingRow:
    """Return one finding."""
    return FindingRow(
        rule=rule,
        level=level,
        partition=partition,
        path=path,
        source=values[0],
        target=values[1],
        message=message,
        advice=advice,
    )


OLD = header(
    "old.img",
    (
        partition(1, 204_800, "fat32", "SYSTEM", "EFI system"),
        partition(3, 900_000_000, label="Quarry"),
        partition(4, 2_000_000, type_name="Windows recovery"),
    ),
)
NEW = header(
    "new.img",
    (
        partition(1, 204_800, "fat32", "SYSTEM", "EFI system"),
        partition(3, 450_000_000, label="Quarry"),
    ),
    drive=NEW_DRIVE,
)


def comparison(
    verdict: str = "stop",
    findings: tuple[FindingRow, ...] = (),
    sides: tuple[Header, Header] = (OLD, NEW),
) -> Comparison:
    """Return a comparison of two headers with these findings."""
    return Comparison(
        verdict=verdict,
        summary=f"This is the sentence of {verdict}.",
        findings=findings,
        outcomes=(
            OutcomeRow(rule="file-missing", outcome=Result.DIFFERENT, compared=1200, reason=None),
            OutcomeRow(rule="table-scheme", outcome=Result.SAME, compared=1, reason=None),
            OutcomeRow(
                rule="boot-firmware",
                outcome=Result.NOT_EXAMINED,
                compared=0,
                reason="it lives in the machine, not on the drive",
            ),
            OutcomeRow(
                rule="raw-content", outcome=Result.CRASHED, compared=0, reason="ValueError: no"
            ),
        ),
        evidence=Evidence(
            files_listed=2400,
            files_hashed=2000,
            bytes_hashed=4_000_000,
            mismatches=0,
            bound=Bound(
                confidence=0.95, files_at_most=2, rate_at_most=0.0008, bytes_at_most=65_536
            ),
        ),
        source=identity_of(sides[0]),
        target=identity_of(sides[1]),
        pairs=(
            PairRow(source=1, target=1, matched_by="guid"),
            PairRow(source=3, target=3, matched_by="place"),
            PairRow(source=4, target=None, matched_by=""),
        ),
        tool=ToolInfo(version="0.1.0", rules=("file-missing", "table-scheme", "boot-firmware")),
        manifests=Manifests(
            source=ManifestRow(digest="5a" * 32, header=sides[0]),
            target=ManifestRow(digest="7e" * 32, header=sides[1]),
        ),
    )
