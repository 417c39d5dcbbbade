"""What a verdict rests on, and what it does not: evidence with its bound, and the gaps."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.rules.engine import NOT_A_PAIR
from verify.rules.rule import Result
from verify.text.message import Message, counted, joined, say
from verify.text.words import NEW, OLD
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


def evidence_lines(comparison: Comparison, *, for_shop: bool = True) -> Iterator[str]:
    """Yield what the verdict rests on: how much was read, what that leaves open, who answered.

    `for_shop`: whether to name the command that lists the customer's files.
    """
    evidence = comparison.evidence
    yield (
        say(
            "{listed} listed on both drives together. Contents read on both drives"
            " and compared: {hashed}, and blocks of large files and of partitions"
            " without files; {size} in all. Contents that differ:"
            " {mismatches:,}{expected}.",
            listed=_files(evidence.files_listed),
            hashed=_files(evidence.files_hashed),
            size=decimal_size(evidence.bytes_hashed),
            mismatches=evidence.mismatches,
            expected=_expected(evidence.expected_changes),
        )
    )
    bound = evidence.bound
    if bound is not None and not evidence.bytes_hashed and not evidence.files_hashed:
        yield say("No contents were compared.")
    elif bound is not None and not bound.files_at_most and not bound.bytes_at_most:
        yield say("All contents that could be read on both were compared.")
    elif bound is not None:
        yield (
            say(
                "The rest was not read: at most {files}"
                " ({rate_at_most:.2g} %) and {size} could still differ ({confidence:g} %"
                " confidence).",
                confidence=bound.confidence * 100,
                files=_files(bound.files_at_most),
                rate_at_most=bound.rate_at_most * 100,
                size=decimal_size(bound.bytes_at_most),
            )
        )
    elif "layout" in {comparison.source.depth, comparison.target.depth}:
        yield (
            say(
                "Only files that the computer needs to start were read. All others were"
                " compared by name, size and time only."
            )
        )
    else:
        yield say("No contents were compared: there was nothing to sample on both drives.")
    differing = sum(item.count for item in comparison.difference_counts)
    if differing:
        count = counted(
            "{count:,} file or folder was found to differ.",
            "{count:,} files and folders were found to differ.",
            differing,
        )
        listed = say("For the list: `--differences FILE.csv --names`.")
        yield joined((count, listed), " ") if for_shop else count
    yield say("Not compared: space outside all partitions and free space inside them.")
    yield _rule_counts(comparison)


def _files(count: int) -> Message:
    return counted("{count:,} file", "{count:,} files", count)


def _expected(changes: int) -> str:
    return say(", expected differences: {changes:,}", changes=changes) if changes else ""


def _rule_counts(comparison: Comparison) -> str:
    counts = Counter(row.outcome for row in comparison.outcomes)
    words = {
        Result.SAME: counted("{count} matches", "{count} match", counts[Result.SAME]),
        Result.DIFFERENT: counted("{count} differs", "{count} differ", counts[Result.DIFFERENT]),
        Result.NOT_APPLICABLE: counted(
            "{count} does not apply", "{count} do not apply", counts[Result.NOT_APPLICABLE]
        ),
        Result.NOT_EXAMINED: say("{count} could not be made", count=counts[Result.NOT_EXAMINED]),
        Result.CRASHED: say("{count} failed", count=counts[Result.CRASHED]),
    }
    told = joined(word for key, word in words.items() if counts[key])
    return say("{count} checks: {told}.", count=len(comparison.tool.rules), told=told)


def gaps(
    comparison: Comparison, sides: tuple[Header, Header], required: frozenset[str]
) -> Iterator[Gap]:
    """Yield what was not examined: by the rules, those `sound` needs first; then of each drive."""
    yield from _rule_gaps(comparison, required)
    yield from _unread(OLD, sides[0])
    yield from _unread(NEW, sides[1])


def _rule_gaps(comparison: Comparison, required: frozenset[str]) -> Iterator[Gap]:
    open_answers = (Result.NOT_EXAMINED, Result.CRASHED)
    rows = [row for row in comparison.outcomes if row.outcome in open_answers]
    if any(row.reason == NOT_A_PAIR for row in comparison.outcomes):
        yield Gap(say("all other checks"), NOT_A_PAIR, needed=True)
    together: dict[tuple[bool, str], list[str]] = {}
    for row in rows:
        reason = row.reason or say("no reason was given")
        if row.outcome == Result.CRASHED:
            reason = say("the check failed: {reason}", reason=reason)
        together.setdefault((row.rule in required, reason), []).append(row.rule)
    for needed, reason in sorted(together, key=lambda key: not key[0]):
        yield Gap(joined(together[needed, reason]), reason, needed)


def _unread(side: str, header: Header) -> Iterator[Gap]:
    for item in header.unread:
        place = (
            ""
            if item.partition is None
            else say(", partition {partition}", partition=item.partition)
        )
        yield Gap(
            say("{what} ({side} drive{place})", what=item.what, side=side, place=place),
            item.reason,
            needed=False,
        )
