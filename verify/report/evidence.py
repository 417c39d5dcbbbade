"""What a verdict rests on, and what it does not: evidence with its bound, and the gaps."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.rules.rule import Result
from verify.units import decimal_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Header
    from verify.rules.comparison_document import Comparison


@dataclass(frozen=True, slots=True)
class Gap:
    """What was not examined (rules of one reason together); `needed` where `sound` needs it."""

    what: str
    reason: str
    needed: bool


def evidence_lines(comparison: Comparison) -> Iterator[str]:
    """Yield what the verdict rests on: how much was read, what that leaves open, who answered."""
    evidence = comparison.evidence
    yield (
        f"{evidence.files_listed:,} files listed, both drives together. Contents read on both and"
        f" compared: {evidence.files_hashed:,} files, and blocks of large files and of partitions"
        f" without files, {decimal_size(evidence.bytes_hashed)} in all; differing:"
        f" {evidence.mismatches:,}"
        f"{_expected(evidence.expected_changes)}."
    )
    bound = evidence.bound
    if bound is not None and not evidence.bytes_hashed and not evidence.files_hashed:
        yield "No contents stand on both drives: none were compared."
    elif bound is not None and not bound.files_at_most and not bound.bytes_at_most:
        yield "Nothing was left to chance: all contents that could be read on both were compared."
    elif bound is not None:
        yield (
            f"With {bound.confidence * 100:g} % confidence, what was not read hides no more than"
            f" {bound.files_at_most:,} differing files ({bound.rate_at_most * 100:.2g} % of those"
            f" on both sides) and {decimal_size(bound.bytes_at_most)} of differing bytes."
        )
    elif "layout" in {comparison.source.depth, comparison.target.depth}:
        yield (
            "Contents were not compared, but for what the machine needs to start: this rests on"
            " names, sizes, times and tables."
        )
    else:
        yield "There were no contents on both drives to draw a sample from."
    yield "Space outside all partitions and unused space inside them were not compared."
    yield _rule_counts(comparison)


def _expected(changes: int) -> str:
    return f", and {changes:,} that differ on good clones too" if changes else ""


def _rule_counts(comparison: Comparison) -> str:
    counts = Counter(row.outcome for row in comparison.outcomes)
    words = {
        Result.SAME: "same",
        Result.DIFFERENT: "different",
        Result.NOT_APPLICABLE: "without anything to compare",
        Result.NOT_EXAMINED: "not examined",
        Result.CRASHED: "crashed",
    }
    told = ", ".join(f"{counts[key]} {word}" for key, word in words.items() if counts[key])
    return f"Answers of {len(comparison.tool.rules)} rules: {told}."


def gaps(
    comparison: Comparison, sides: tuple[Header, Header], required: frozenset[str]
) -> Iterator[Gap]:
    """Yield what was not examined: by the rules, those `sound` needs first; then of each drive."""
    yield from _rule_gaps(comparison, required)
    yield from _unread("old", sides[0])
    yield from _unread("new", sides[1])


def _rule_gaps(comparison: Comparison, required: frozenset[str]) -> Iterator[Gap]:
    open_answers = {Result.NOT_EXAMINED: "", Result.CRASHED: "the rule failed: "}
    rows = [row for row in comparison.outcomes if row.outcome in open_answers]
    together: dict[tuple[bool, str], list[str]] = {}
    for row in rows:
        reason = open_answers[row.outcome] + (row.reason or "no reason was given")
        together.setdefault((row.rule in required, reason), []).append(row.rule)
    for needed, reason in sorted(together, key=lambda key: not key[0]):
        yield Gap(", ".join(together[needed, reason]), reason, needed)


def _unread(side: str, header: Header) -> Iterator[Gap]:
    for item in header.unread:
        place = "" if item.partition is None else f", partition {item.partition}"
        yield Gap(f"{item.what} ({side} drive{place})", item.reason, needed=False)
