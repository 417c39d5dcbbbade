"""Every file and folder that differs, one row each, made from two manifests as it is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from verify.filesystem.entry import Kind as Node
from verify.filesystem.kinds import traits_of
from verify.matching.level import Level
from verify.matching.merge_listings import differing_names, files_of
from verify.matching.pair_contents import Kind
from verify.matching.pairing import match_partitions
from verify.matching.told import (
    Compared,
    When,
    compared_as,
    heaviest,
    is_of_a_person,
    is_to_copy,
    kinds_of,
    other_name,
    when_of,
)
from verify.matching.unlocked import see_through
from verify.rules.comparison_document import DifferencesRow
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.filesystem.entry import Entry
    from verify.manifest.file import Manifest
    from verify.matching.pair_contents import ContentComparison, Difference, PairContents
    from verify.matching.pairing import Pair

_RULES: dict[Kind, str] = {
    "missing": "file-missing",
    "extra": "file-extra",
    "size": "file-size",
    "contents": "file-content",
    "zeros": "file-form",
    "streams": "file-content",
    "times": "file-times",
    "created": "file-times",
    "links": "file-links",
    "security": "file-security",
    "attributes": "file-attributes",
    "unreadable": "file-content",
    "not_read": "file-content",
}
"""The rule that tells each kind; expected changes and later use have rules of their own."""

_ALONE = say("is on a partition that the other drive does not have")


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceRow:
    """One file or folder that differs.

    Partitions by their numbers on each drive, `None` where it has none. `path` is what findings
    call it; `source_path` and `target_path` are `None` where a drive does not have it. Sizes in
    bytes, times of modification in nanoseconds since 1970 UTC. `level`, `rule` and `says`: of the
    heaviest of its `kinds`. `moment`: when it was written, by the moment of the clone: `before` or
    `after` it, `open` in a program then, `meanwhile` while the volume was copied; `used`: the side
    that was used since. `by`: a `person` or a `machine` wrote it. `compared`: its contents were
    read on both drives in `full`, as `blocks` drawn, or not (`no`). `copy`: copying it from the old
    drive puts it right.

    Names are kept as the filesystem has them: of those that store UTF-16 (NTFS, FAT, exFAT) a lone
    surrogate as itself, of others a byte that is no UTF-8 as U+DC80 to U+DCFF (PEP 383). `utf16`
    says which it is.
    """

    source_partition: int | None
    target_partition: int | None
    path: str
    kinds: tuple[Kind, ...]
    node: Node
    source_path: str | None
    target_path: str | None
    source_bytes: int | None
    target_bytes: int | None
    source_modified: int | None
    target_modified: int | None
    level: Level
    rule: str
    says: str
    moment: When | None
    used: Literal["source", "target"] | None
    by: Literal["person", "machine"]
    compared: Compared
    copy: bool
    utf16: bool

    @property
    def partition(self) -> int:
        """The number that findings use: the target's where there is one, else the source's."""
        number = self.source_partition if self.target_partition is None else self.target_partition
        return number or 0


def difference_rows(source: Manifest, target: Manifest) -> Iterator[DifferenceRow]:
    """Yield a row for each file and folder that differs, in the order of the old drive.

    Nothing is kept of what was yielded. A partition that could be listed on one side alone was not
    compared, and has none.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    pairs = match_partitions(source.header, target.header)
    for pair in see_through(source.header, target.header, pairs)[2]:
        both = pair.both
        if both is None:
            yield from _rows_alone(source, target, pair)
        elif both[0].listing is not None and both[1].listing is not None:
            files = files_of(source, target, pair.number, both)
            utf16 = traits_of(both[0].filesystem.kind).family != "ext"
            for item in differing_names(files, source, target, both):
                yield _row(pair, files, item, utf16=utf16)


def difference_counts(contents: ContentComparison) -> Iterator[DifferencesRow]:
    """Yield how many files and folders of each pair of partitions differ."""
    for listed in contents.listed:
        yield DifferencesRow(
            source=listed.source,
            target=listed.target,
            count=listed.count,
            kinds=dict(listed.kinds),
            levels=dict(listed.levels),
            to_copy=listed.to_copy,
            with_line_breaks=listed.with_line_breaks,
        )


def _row(pair: Pair, files: PairContents, item: Difference, *, utf16: bool) -> DifferenceRow:
    old, new = item.source, item.target
    kind, meaning = heaviest(item)
    other = other_name(item)
    here, there = old or (other if new else None), new or (other if old else None)
    told = "file-expected-change" if meaning.expected else _RULES[kind]
    return DifferenceRow(
        source_partition=pair.source.number if pair.source else None,
        target_partition=pair.target.number if pair.target else None,
        path=item.path,
        kinds=tuple(kinds_of(item)),
        node=_node(old, new),
        source_path=here.path if here else None,
        target_path=there.path if there else None,
        source_bytes=here.size if here else None,
        target_bytes=there.size if there else None,
        source_modified=here.modified if here else None,
        target_modified=there.modified if there else None,
        level=meaning.level,
        rule=told if meaning.since is None else f"{meaning.since}-used-since",
        says=meaning.one,
        moment=when_of(item),
        used=next((told.since for _, told in item.told if told.since), None),
        by="person" if is_of_a_person(item) else "machine",
        compared=compared_as(item, files.block_bytes),
        copy=is_to_copy(item),
        utf16=utf16,
    )


def _rows_alone(source: Manifest, target: Manifest, pair: Pair) -> Iterator[DifferenceRow]:
    """Yield the names of a partition that only one drive has."""
    side = pair.source or pair.target
    if side is None or side.listing is None:
        return
    lost = pair.source is not None
    utf16 = traits_of(side.filesystem.kind).family != "ext"
    for entry in (source if lost else target).entries(side.number):
        yield DifferenceRow(
            source_partition=side.number if lost else None,
            target_partition=None if lost else side.number,
            path=entry.path,
            kinds=("missing",) if lost else ("extra",),
            node=entry.kind,
            source_path=entry.path if lost else None,
            target_path=None if lost else entry.path,
            source_bytes=entry.size if lost else None,
            target_bytes=None if lost else entry.size,
            source_modified=entry.modified if lost else None,
            target_modified=None if lost else entry.modified,
            level=Level.STOP if lost else Level.NOTE,
            rule="partition-missing" if lost else "partition-extra",
            says=_ALONE,
            moment=None,
            used=None,
            by="person",
            compared="no",
            copy=False,
            utf16=utf16,
        )


def _node(old: Entry | None, new: Entry | None) -> Node:
    entry = old or new
    return entry.kind if entry else "other"
