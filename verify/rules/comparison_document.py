"""The comparison document: what `check --json` and `compare --json` print."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from verify.filesystem.description import KeptBy
from verify.manifest.base import Depth, hold_numbers
from verify.manifest.header import DriveNames, Header, Scope, SectorRange
from verify.rules.rule import Level, Result
from verify.text.field import Text
from verify.text.stored import Spoken

COMPARISON_SCHEMA = "drivewitness.comparison/1"

Verdict = Literal["sound", "review", "stop"]


class _Document(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True)


class FindingRow(_Document):
    """One finding; `source` and `target` are the two values where there are two.

    `examples`: where one finding is about many files, the paths of the first three. The customer's
    edition of a report has none of them.
    """

    rule: str
    level: Level
    partition: int | None
    path: str | None
    source: Text | int | float | bool | None
    target: Text | int | float | bool | None
    message: Text
    advice: Text
    examples: tuple[str, ...] = ()


class OutcomeRow(_Document):
    """One answer of one rule."""

    rule: str
    outcome: Result
    compared: int
    reason: Text | None


class Bound(_Document):
    """What could still differ, unseen, at `confidence` (exact hypergeometric, one-sided).

    `files_at_most` of the files that were listed on both sides; `rate_at_most` the same as a
    share of them; `bytes_at_most` in bytes.
    """

    confidence: float
    files_at_most: int
    rate_at_most: float
    bytes_at_most: int


class Evidence(_Document):
    """How much the verdict rests on: counts of both sides together where both were read.

    `mismatches`: contents that differ and were to be the same; `expected_changes`: contents that
    differ on good clones too.
    """

    files_listed: int
    files_hashed: int
    bytes_hashed: int
    mismatches: int
    expected_changes: int = 0
    bound: Bound | None


class Identity(DriveNames):
    """Which drive a side was, when it was read, and how deeply."""

    scheme: str
    disk_id: str | None
    depth: Depth
    captured: int


class PairRow(_Document):
    """A partition of the source and what became of it."""

    source: int | None
    target: int | None
    matched_by: str


class PlacesRow(_Document):
    """Where on one drive files of one partition lie that differ; no name is reported.

    `side`: `source` or `target`, whose numbering `partition` is in. `what`: `missing` on the
    target, or `changed` in contents or size. `bytes` of all `files`; `placed`: those whose place is
    known (small files lie inside the file table). `ranges`: sectors of the drive; where there are
    hundreds, near ones are reported as one and cover what lies between them.
    """

    side: str
    partition: int
    what: str
    files: int
    bytes: int
    placed: int
    ranges: tuple[SectorRange, ...]


class EvidenceRow(_Document):
    """A time that both volumes keep beside those of their files (nanoseconds since 1970 UTC).

    `by`: as in the manifest's header. Each was up to `step` nanoseconds later.
    """

    by: KeptBy
    source: int
    target: int
    step: int


class MomentRow(_Document):
    """When one volume was copied, as the files of both drives tell (nanoseconds since 1970 UTC).

    `copied`: the newest time on the new drive from before it was used on its own; `None`, with the
    `reason`, where it cannot be told. `by`: which sort of time. `path`: a file that had it on
    both drives, or the newest that both have. `step`: how fine the times are. `copied_from`: the
    first write of the running system that the copy lacks, though it has later ones.
    `target_used_from`: the first time that was written on the new drive alone. `kept_by`: what the
    moment was taken from, where that is newer than all files of the copy. `evidence`: what both
    volumes keep beside the times of their files.
    """

    partition: int
    copied: int | None = None
    by: Literal["changed", "modified"] | None = None
    path: str | None = None
    step: int = 0
    copied_from: int | None = None
    target_used_from: int | None = None
    kept_by: KeptBy | None = None
    evidence: tuple[EvidenceRow, ...] = ()
    reason: Text | None = None


class LaterRow(_Document):
    """A file or folder that was written, moved or deleted on one drive after the clone.

    `work`: a person's, not the system's or a program's; of these all are listed, up to 10,000 a
    volume. `earlier_path`: what the other drive calls it, where it was moved. Times in nanoseconds
    since 1970 UTC. The customer's edition of a report has none of it.
    """

    partition: int
    side: Literal["source", "target"]
    path: str
    what: Literal["written", "moved", "deleted"]
    work: bool
    size_bytes: int
    source_modified: int | None
    target_modified: int | None
    earlier_path: str | None = None


class DifferencesRow(_Document):
    """How many files and folders of a pair of partitions differ, name by name.

    `source`, `target`: the partition's number on each drive. `kinds`: names that differ in that
    (one may differ in several); `levels`: names by the heaviest level of each. `to_copy`: names
    that copying from the old drive puts right, of which `with_line_breaks` fit into no list by
    lines.
    """

    source: int | None
    target: int | None
    count: int
    kinds: dict[str, int]
    levels: dict[str, int]
    to_copy: int
    with_line_breaks: int = 0


class ToolInfo(_Document):
    """What judged: the version and the rules it ran."""

    version: str
    rules: tuple[str, ...]


class ManifestRow(_Document):
    """The manifest of a side: the BLAKE3 of its rows, and what its header tells of the drive.

    Left out of the header is what only rules need: boot records, boot code and hashed gaps.
    """

    digest: str
    header: Header


class Manifests(_Document):
    """Both manifests, told so far that a report can be made again from the comparison alone."""

    source: ManifestRow
    target: ManifestRow


class Comparison(_Document, Spoken):
    """Two manifests compared by all rules.

    Where `--json` prints it, every difference follows as its last field, `differences`
    (docs/report/lists.md), which is not read back.
    `scope`: `drive`; `partition`, where one partition only was compared; `unconfirmed`, where a
    side has no table and nobody confirmed that it is a whole drive.
    """

    schema_: str = Field(default=COMPARISON_SCHEMA, alias="schema")
    verdict: Verdict
    scope: Scope = "drive"
    summary: Text
    findings: tuple[FindingRow, ...]
    outcomes: tuple[OutcomeRow, ...]
    evidence: Evidence
    source: Identity
    target: Identity
    pairs: tuple[PairRow, ...]
    places: tuple[PlacesRow, ...] = ()
    moments: tuple[MomentRow, ...] = ()
    later: tuple[LaterRow, ...] = ()
    difference_counts: tuple[DifferencesRow, ...] = ()
    tool: ToolInfo
    manifests: Manifests | None = None

    @model_validator(mode="after")
    def _numbers(self) -> Self:
        told = {name: value for name, value in self.__dict__.items() if name != "manifests"}
        hold_numbers(told)  # NOTE: the manifests' headers hold their own
        return self
