"""What a report says of a comparison, in plain data: every format is made from this one model.

Texts may hold whatever stands on a drive; the format that prints them makes them harmless.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.report.answer import Answer, answer_of
from verify.report.evidence import Gap, evidence_lines, gaps
from verify.report.health_words import health_facts
from verify.report.words import (
    ABSENT,
    CAUTIONS,
    COPY_FIRST,
    LEVEL_TITLES,
    NEXT_STEPS,
    NEXT_WITHOUT_DRIVE,
    SAME_IDENTITY,
)
from verify.rules.rule import Level
from verify.table.type_names import type_words
from verify.text.message import Message, joined, say
from verify.units import binary_size, decimal_size, moment_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from verify.manifest.header import Header, Partition
    from verify.rules.comparison_document import Comparison, FindingRow, Identity, PairRow
    from verify.rules.rule import Value

Sides = tuple["Header", "Header"]

NOT_TOLD = say("not reported")
"""Stands where a drive does not say what it is."""

NOT_READ = say("not read: one partition only")
"""Stands where a partition's drive would be described."""

_VALUES_ARE_NAMES = frozenset({"filesystem-identity"})
"""Rules whose findings have what stands on a drive for their values: labels."""


@dataclass(frozen=True, slots=True)
class DriveSide:
    """One drive of the pair: what it is called here, and its (word, value) lines."""

    title: str
    facts: tuple[tuple[Message, str], ...]


@dataclass(frozen=True, slots=True)
class PartitionLine:
    """A partition of the old drive and what it became; `weight`: its heaviest finding's level."""

    old: str
    what: str
    old_size: str
    new: str
    new_size: str
    became: str
    weight: str


@dataclass(frozen=True, slots=True)
class FindingPlace:
    """Where a finding is, its sentence, both values, and names of a few of many files."""

    where: str
    message: str
    old: str | None
    new: str | None
    examples: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FindingItem:
    """Findings of one rule that ask for the same: the rule, each place, the advice."""

    rule: str
    places: tuple[FindingPlace, ...]
    advice: str


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """All findings of one level."""

    level: Level
    title: str
    items: tuple[FindingItem, ...]

    @property
    def places(self) -> int:
        """How many places they are in."""
        return sum(len(item.places) for item in self.items)


@dataclass(frozen=True, slots=True)
class WorkToCopy:
    """A file or folder that a person changed or created on the old drive after the clone."""

    place: str
    written: str
    size: str
    path: str


@dataclass(frozen=True, slots=True)
class Report:
    """Everything a report of one comparison says, in the order it says it."""

    verdict: str
    sentence: str
    sides: tuple[DriveSide, DriveSide]
    partitions: tuple[PartitionLine, ...]
    groups: tuple[FindingGroup, ...]
    to_copy: tuple[WorkToCopy, ...]
    evidence: tuple[str, ...]
    gaps: tuple[Gap, ...]
    next_steps: tuple[str, ...]
    cautions: tuple[str, ...]
    answer: Answer


def build_report(
    comparison: Comparison, sides: Sides, required: frozenset[str], *, for_shop: bool = True
) -> Report:
    """Return what is to be said of a comparison of the two manifests whose headers are given.

    `required`: the slugs of the rules that `sound` needs. `for_shop`: whether whoever reads it can
    list the customer's files.
    """
    answer = answer_of(comparison, sides)
    asked = any(side.health for side in sides)
    to_copy = tuple(_to_copy(comparison))
    return Report(
        verdict=comparison.verdict,
        sentence=comparison.summary,
        sides=(
            DriveSide(
                say("SOURCE, the old drive"),
                tuple(drive_facts(comparison.source, sides[0], asked=asked)),
            ),
            DriveSide(
                say("TARGET, the new drive"),
                tuple(drive_facts(comparison.target, sides[1], asked=asked)),
            ),
        ),
        partitions=tuple(_partition_line(pair, sides, comparison) for pair in comparison.pairs),
        groups=tuple(_groups(comparison)),
        to_copy=to_copy,
        evidence=tuple(evidence_lines(comparison, for_shop=for_shop)),
        gaps=tuple(gaps(comparison, sides, required)),
        next_steps=_next_steps(comparison.verdict, of_drive=answer.word is not None, copy=to_copy),
        cautions=(*_identity_caution(comparison, sides), *CAUTIONS),
        answer=answer,
    )


def drive_facts(drive: Identity, header: Header, *, asked: bool) -> Iterator[tuple[Message, str]]:
    """Yield what names a drive: (word, value); the table of one partition's drive was not read.

    `asked`: either drive was asked for its health.
    """
    one = header.scope == "partition"
    yield say("path"), drive.path
    yield say("model"), drive.model or NOT_TOLD
    yield say("serial"), drive.serial or NOT_TOLD
    yield say("size"), both_sizes(drive.size_bytes)
    table = say("none") if drive.scheme == "none" else drive.scheme.upper()
    sectors = say("sectors of {sector_bytes:,} bytes", sector_bytes=drive.sector_bytes)
    yield say("partition table"), joined([NOT_READ if one else table, sectors])
    yield say("id"), NOT_READ if one else drive.disk_id or say("none")
    if asked:
        yield from health_facts(header.health.latest if header.health else None)
    yield say("read"), say("{when}, depth {depth}", when=when(drive.captured), depth=drive.depth)


def both_sizes(count: int) -> str:
    """Say a size as drives are sold and as systems show it."""
    return say("{decimal} ({binary})", decimal=decimal_size(count), binary=binary_size(count))


def when(seconds: int) -> str:
    """Say a time (seconds since 1970) to the minute, in UTC."""
    try:
        return say("{moment}", moment=moment_of(seconds))
    except (OverflowError, OSError, ValueError):
        return say("second {seconds} since 1970", seconds=seconds)


def partition_words(partition: Partition) -> str:
    """Say what a partition is: its type's name, its filesystem, its label."""
    kind = partition.filesystem.kind
    name = type_words(partition.type_name)
    unnamed: list[str] = [say("type {type}", type=partition.type)] if partition.type else []
    parts: list[str] = [name] if name else unnamed
    if kind not in {"extended", "msr"}:
        parts.append(kind)
    if label := partition.filesystem.label:
        parts.append(f'"{label}"')
    return joined(parts)


def partition_bytes(header: Header, partition: Partition) -> int:
    """Return a partition's size in bytes: its table counts in the table's own sectors."""
    return partition.sectors * header.table.sector_bytes


def _partition_line(pair: PairRow, sides: Sides, comparison: Comparison) -> PartitionLine:
    source, target = sides
    old = None if pair.source is None else source.partition(pair.source)
    new = None if pair.target is None else target.partition(pair.target)
    shown = old or new
    old_bytes = partition_bytes(source, old) if old else None
    new_bytes = partition_bytes(target, new) if new else None
    number = pair.source if pair.target is None else pair.target
    return PartitionLine(
        old=ABSENT if pair.source is None else str(pair.source),
        what=partition_words(shown) if shown else "",
        old_size=ABSENT if old_bytes is None else decimal_size(old_bytes),
        new=ABSENT if pair.target is None else str(pair.target),
        new_size=ABSENT if new_bytes is None else decimal_size(new_bytes),
        became=_became(old_bytes, new_bytes, pair.matched_by),
        weight=_heaviest(comparison, number),
    )


def _became(old_bytes: int | None, new_bytes: int | None, matched_by: str) -> str:
    if new_bytes is None:
        return say("missing")
    if old_bytes is None:
        return say("only on the new drive")
    change = new_bytes - old_bytes
    size = say("same size")
    if change:
        amount = decimal_size(abs(change))
        larger, smaller = say("{size} larger", size=amount), say("{size} smaller", size=amount)
        size = larger if change > 0 else smaller
    return (
        say("{size}, matched by its place on the drive", size=size)
        if matched_by == "place"
        else size
    )


def _heaviest(comparison: Comparison, number: int | None) -> str:
    levels = {item.level for item in comparison.findings if item.partition == number}
    return next((level.value for level in Level if level in levels), ABSENT)


def _groups(comparison: Comparison) -> Iterator[FindingGroup]:
    for level in Level:
        together: dict[tuple[str, str], list[FindingPlace]] = {}
        for row in comparison.findings:
            if row.level == level:
                together.setdefault((row.rule, row.advice), []).append(_place(row))
        items = tuple(
            FindingItem(rule, tuple(places), advice) for (rule, advice), places in together.items()
        )
        if items:
            yield FindingGroup(level, LEVEL_TITLES[level], items)


def _next_steps(verdict: str, *, of_drive: bool, copy: Sequence[WorkToCopy]) -> tuple[str, ...]:
    if verdict == "sound" and not of_drive:
        return NEXT_WITHOUT_DRIVE
    first, *rest = NEXT_STEPS[verdict]
    return (first, *([COPY_FIRST] if copy and verdict == "review" else ()), *rest)


def _to_copy(comparison: Comparison) -> Iterator[WorkToCopy]:
    rows = (row for row in comparison.later if row.side == "source" and row.what == "written")
    for row in sorted(rows, key=lambda row: (row.partition, row.path)):
        written = row.source_modified
        if row.work:
            yield WorkToCopy(
                place=say("partition {number}", number=row.partition),
                written=NOT_TOLD if written is None else when(written // 1_000_000_000),
                size=decimal_size(row.size_bytes),
                path=row.path,
            )


def _place(row: FindingRow) -> FindingPlace:
    places: list[str] = []
    if row.partition is not None:
        places.append(say("partition {number}", number=row.partition))
    if row.path is not None:
        places.append(row.path)
    return FindingPlace(
        where=joined(places) if places else say("whole drive"),
        message=row.message,
        old=value_words(row, row.source),
        new=value_words(row, row.target),
        examples=row.examples,
    )


def value_words(row: FindingRow, value: Value) -> str | None:
    """Say one of the two values of a finding; `None` where that side has none."""
    if value is None:
        return None
    if row.rule in _VALUES_ARE_NAMES:
        return str(value)
    if isinstance(value, bool):
        return say("yes") if value else say("no")
    return value if isinstance(value, str) else say("{value:,}", value=value)


def _identity_caution(comparison: Comparison, sides: Sides) -> Iterator[str]:
    source, target = sides
    guids = {item.guid for item in source.partitions} & {item.guid for item in target.partitions}
    same_disk = comparison.source.disk_id == comparison.target.disk_id
    if (same_disk and comparison.source.disk_id is not None) or guids - {None}:
        yield SAME_IDENTITY
