"""Two drives for tests of the rules about files: one partition each, its rows given by hand."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, cast

from verify.filesystem.description import Filesystem
from verify.filesystem.entry import Entry
from verify.manifest.header import (
    CaptureInfo,
    DriveInfo,
    Header,
    Partition,
    RawDigest,
    UnreadItem,
)
from verify.manifest.partition_contents import Contents, Listing
from verify.manifest.row import Block
from verify.rules.judge_drives import compare
from verify.table.partition_table import Table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.file import Manifest
    from verify.rules.comparison_document import Comparison
    from verify.rules.rule import Rule

SECOND = 1_000_000_000
YESTERDAY, TODAY = 1_700_000_000 * SECOND, 1_700_086_400 * SECOND
SAME, OTHER = "ab" * 32, "cd" * 32
MIB_SECTORS = 2048

Depth = Literal["layout", "sample", "full"]


def a_file(path: str, *, size: int = 100, digest: str | None = SAME, **more: Any) -> Entry:
    """Return a file as a listing has it, hashed unless told otherwise."""
    entry = Entry("file", path, size=size, modified=YESTERDAY, node=7, digest=digest)
    return replace(entry, **more)


def a_folder(path: str) -> Entry:
    """Return a folder."""
    return Entry("folder", path, modified=YESTERDAY, node=8)


@dataclass
class Side:
    """One drive: a partition with these entries, or with these blocks."""

    entries: list[Entry] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)
    depth: Depth = "full"
    kind: str = "ntfs"
    incomplete: str | None = None
    gap: str | None = SAME
    sectors: int = 100 * MIB_SECTORS
    raw: bool = False
    ended: int = 1

    def manifest(self, name: str) -> Manifest:
        """Return it as the comparison takes it."""
        ordered = sorted(self.entries, key=lambda entry: entry.path.split("/"))
        kinds = [entry.kind for entry in ordered]
        listing = Listing(
            files=kinds.count("file"),
            folders=kinds.count("folder"),
            bytes=sum(entry.size for entry in ordered),
            links=kinds.count("link"),
            complete=self.incomplete is None,
        )
        reason = self.incomplete
        unread = (UnreadItem(what="listing", reason=reason),) if reason else ()
        partition = Partition.model_validate(
            {
                "number": 1,
                "start_lba": 2048,
                "sectors": self.sectors,
                "type": "07",
                "filesystem": Filesystem(kind=self.kind, id="01"),
                "listing": None if self.raw else listing,
                "contents": None if self.depth == "layout" and self.raw else Contents(),
                "unread": [item.model_dump(exclude={"partition"}) for item in unread],
            }
        )
        header = Header(
            depth=self.depth,
            drive=DriveInfo(
                path=name, kind="image", size_bytes=1 << 30, sector_bytes=512, file_id=name
            ),
            table=Table(scheme="mbr", disk_id="00000001", sector_bytes=512),
            partitions=(partition,),
            gaps=(
                RawDigest(
                    what="between the table and the first partition",
                    start_lba=1,
                    sectors=2047,
                    content_bytes=10,
                    digest=self.gap,
                    reason=None if self.gap else "a sector failed",
                ),
            ),
            capture=CaptureInfo(
                tool_version="0",
                started=0,
                ended=self.ended,
                host="bench",
                seed="s",
                confidence=0.95,
            ),
        )
        return cast("Manifest", _Rows(header, ordered, self.blocks))


@dataclass
class _Rows:
    header: Header
    rows: list[Entry]
    raw: list[Block]
    digest: str = SAME

    def entries(self, _: int) -> Iterator[Entry]:
        return iter(self.rows)

    def blocks(self, _: int) -> Iterator[Block]:
        return iter(self.raw)

    @contextmanager
    def listing(self, _: int) -> Iterator[_Listing]:
        yield _Listing(self.rows)


@dataclass
class _Listing:
    """Rows as `ListingRows` gives them, none of which begins a segment."""

    rows: list[Entry]
    at: int = 0
    segment: None = None

    @property
    def entry(self) -> Entry | None:
        return self.rows[self.at] if self.at < len(self.rows) else None

    def step(self) -> None:
        self.at += 1


def judged(rule: Rule, source: Side, target: Side) -> Comparison:
    """Compare two drives by one rule."""
    return compare(source.manifest("old"), target.manifest("new"), (rule,))


def told(comparison: Comparison) -> list[tuple[str, str | None]]:
    """Return level and path of every finding."""
    return [(item.level.value, item.path) for item in comparison.findings]


def outcomes(comparison: Comparison) -> list[str]:
    """Return the outcomes' names."""
    return [item.outcome.value for item in comparison.outcomes]
