"""Two manifests into one comparison: pairs, contents, rules, verdict, a sentence for people."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, TypeVar

from verify.manifest.header import names_of, scope_of_both
from verify.matching.bound import sample_bound
from verify.matching.merge_listings import compare_contents
from verify.matching.pairing import match_partitions
from verify.matching.strangers import identifiers, names_in_common
from verify.matching.unlocked import see_through
from verify.rules.catalogue import RULES
from verify.rules.comparison_document import (
    Bound,
    Comparison,
    Evidence,
    FindingRow,
    Identity,
    LaterRow,
    ManifestRow,
    Manifests,
    MomentRow,
    OutcomeRow,
    PairRow,
    ToolInfo,
)
from verify.rules.damage_places import places
from verify.rules.difference_rows import difference_counts
from verify.rules.engine import judge
from verify.rules.later_use import later_rows, moments
from verify.rules.one_partition import of_one_partition, summary_of_one
from verify.rules.rule import Case, Level
from verify.text.message import Message, all_of, counted, say
from verify.units import decimal_size
from verify.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.manifest.file import Manifest
    from verify.manifest.header import Header, Scope
    from verify.matching.pair_contents import ContentComparison, SampleBound
    from verify.rules.declared import Declared
    from verify.rules.engine import Judgement
    from verify.rules.rule import Finding, Rule, Value


_Row = TypeVar("_Row", MomentRow, LaterRow)


def compare(
    source: Manifest,
    target: Manifest,
    rules: Sequence[Rule] = RULES,
    declared: Declared | None = None,
) -> Comparison:
    """Compare two manifests by all rules, and hold the new drive to a layout declared before.

    Raises:
        ManifestAltered: a row of a manifest is damaged.
    """
    old, new = source.header, target.header
    old, new, pairs = see_through(old, new, match_partitions(old, new))
    contents = compare_contents(source, target, pairs)
    if "layout" not in (old.depth, new.depth):
        confidence = min(old.capture.confidence, new.capture.confidence)
        contents.bound = sample_bound(contents, confidence)
    strangers = not identifiers(old) & identifiers(new)
    case = Case(
        source=old,
        target=new,
        pairs=pairs,
        contents=contents,
        declared=declared,
        common_names=names_in_common(source, target) if strangers else None,
    )
    judgement = judge(case, rules)
    scope = scope_of_both(old, new)
    if scope == "partition":
        judgement = of_one_partition(judgement)
    return Comparison(
        verdict=judgement.verdict,
        scope=scope,
        summary=_summary(judgement, contents, scope, of_image=old.drive.kind == "image"),
        findings=tuple(_finding_row(item) for item in judgement.findings),
        outcomes=tuple(
            OutcomeRow(
                rule=item.rule,
                outcome=item.outcome,
                compared=item.compared,
                reason=None if item.reason is None else _valid(item.reason),
            )
            for item in judgement.outcomes
        ),
        evidence=_evidence(old, new, contents),
        source=identity_of(old),
        target=identity_of(new),
        pairs=tuple(
            PairRow(
                source=pair.source.number if pair.source else None,
                target=pair.target.number if pair.target else None,
                matched_by=pair.matched_by,
            )
            for pair in pairs
        ),
        places=tuple(places(case)),
        moments=tuple(_named(row) for row in moments(case)),
        later=tuple(_named(row) for row in later_rows(case)),
        difference_counts=tuple(difference_counts(contents)),
        tool=ToolInfo(version=__version__, rules=tuple(rule.slug for rule in rules)),
        manifests=Manifests(source=_manifest_row(source), target=_manifest_row(target)),
    )


def _manifest_row(manifest: Manifest) -> ManifestRow:
    header = manifest.header
    partitions = tuple(item.model_copy(update={"boot": None}) for item in header.partitions)
    told = {"partitions": partitions, "boot_code": None, "gaps": ()}
    return ManifestRow(digest=manifest.digest, header=header.model_copy(update=told))


def _summary(
    judgement: Judgement, contents: ContentComparison, scope: Scope, *, of_image: bool
) -> Message:
    """Return the verdict as one plain sentence, with the bound's number where it is a sample's.

    `of_image`: the old side is an image, so nothing is said of a drive that nobody read.
    """
    reach = _reach(contents)
    if scope == "partition":
        return summary_of_one(judgement.findings, judgement.gaps, reach)
    if of_image:
        return _summary_of_image(judgement, reach)
    if judgement.verdict == "stop":
        return say("Do not wipe the old drive: {found}.", found=_problems(judgement))
    if judgement.verdict == "review":
        why = _to_decide(judgement)
        return say("A person has to decide before the old drive is wiped: {why}.", why=why)
    return say("No reason found to keep the old drive; {reach}.", reach=reach)


def _summary_of_image(judgement: Judgement, reach: Message) -> Message:
    if judgement.verdict == "stop":
        return say("An image, not a drive: {found}.", found=_problems(judgement))
    if judgement.verdict == "review":
        return say("An image, not a drive: {why}.", why=_to_decide(judgement))
    return say("An image, not a drive: no problem found; {reach}.", reach=reach)


def _problems(judgement: Judgement) -> Message:
    stops, places = _together(judgement, Level.STOP)
    if places > stops:
        return counted(
            "{count} problem found in {places} places",
            "{count} problems found in {places} places",
            stops,
            places=places,
        )
    return counted("{count} problem found", "{count} problems found", stops)


def _to_decide(judgement: Judgement) -> Message:
    reviews = _together(judgement, Level.REVIEW)[0]
    gaps = len({item.rule for item in judgement.gaps})
    why = []
    if reviews:
        why.append(
            counted("{count} finding to decide on", "{count} findings to decide on", reviews)
        )
    if gaps:
        why.append(
            counted(
                "{count} required check could not be made",
                "{count} required checks could not be made",
                gaps,
            )
        )
    return all_of(why)


def _together(judgement: Judgement, level: Level) -> tuple[int, int]:
    """Return how many things are to be done at a level, and in how many places.

    Findings of one rule with one piece of advice are one thing, as reports show them.
    """
    found = [item for item in judgement.findings if item.level is level]
    return len({(item.rule, item.advice) for item in found}), len(found)


def _reach(contents: ContentComparison) -> Message:
    bound = contents.bound
    if bound is None:
        return say("no contents were compared")
    if not bound.files_at_most and not bound.blocks_at_most:
        if not any(pair.totals.hashed for pair in contents.pairs.values()):
            return say("there were no contents on both drives to compare")
        return say("all contents that could be read on both were compared")
    return say(
        "only a sample was read: at most {files_at_most:,} of {files:,} files"
        " ({rate_at_most:.2g} %) and {size} could still differ ({confidence:g} % confidence)",
        files_at_most=bound.files_at_most,
        files=bound.files,
        rate_at_most=bound.rate_at_most * 100,
        size=decimal_size(bound.bytes_at_most),
        confidence=bound.confidence * 100,
    )


def _named(row: _Row) -> _Row:
    """Return a row whose paths any encoding takes."""
    paths = {name: getattr(row, name, None) for name in ("path", "earlier_path")}
    return row.model_copy(update={name: _valid(path) for name, path in paths.items() if path})


def _finding_row(finding: Finding) -> FindingRow:
    return FindingRow(
        rule=finding.rule,
        level=finding.level,
        partition=finding.partition,
        path=None if finding.path is None else _valid(finding.path),
        source=_valid_value(finding.source),
        target=_valid_value(finding.target),
        message=_valid(finding.message),
        advice=finding.advice,
        examples=tuple(map(_valid, finding.examples)),
    )


def _evidence(old: Header, new: Header, contents: ContentComparison) -> Evidence:
    pairs = contents.pairs.values()
    return Evidence(
        files_listed=sum(_files(header) for header in (old, new)),
        files_hashed=sum(pair.totals.hashed for pair in pairs if not pair.raw),
        bytes_hashed=sum(pair.totals.hashed_bytes for pair in pairs),
        mismatches=sum(pair.mismatches for pair in pairs),
        expected_changes=sum(pair.expected_changes for pair in pairs),
        bound=_bound(contents.bound),
    )


def _files(header: Header) -> int:
    return sum(item.listing.files for item in header.partitions if item.listing)


def _bound(bound: SampleBound | None) -> Bound | None:
    if bound is None:
        return None
    return Bound(
        confidence=bound.confidence,
        files_at_most=bound.files_at_most,
        rate_at_most=bound.rate_at_most,
        bytes_at_most=bound.bytes_at_most,
    )


def identity_of(header: Header) -> Identity:
    """Return which drive a header is of."""
    return Identity(
        **names_of(header.drive),
        scheme=header.table.scheme,
        disk_id=header.table.disk_id,
        depth=header.depth,
        captured=header.capture.ended,
    )


_SURROGATES = re.compile("[\ud800-\udfff]")


def _valid(text: str) -> str:
    r"""Return text that any encoding takes: what is no valid text is written out as `\\uXXXX`."""
    if isinstance(text, Message):
        return text.with_names(_valid)
    return _SURROGATES.sub(lambda found: f"\\u{ord(found[0]):04X}", text)


def _valid_value(value: Value) -> Value:
    return _valid(value) if isinstance(value, str) else value
