"""What a comparison of one partition says: never a word about wiping a drive, which nobody read."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from verify.rules.rule import Level
from verify.text.message import Message, all_of, counted, say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from verify.rules.engine import Judgement
    from verify.rules.rule import Finding, Outcome

_AGAIN = say("Copy this partition again, or only what differs.")
_NOT_OF_ONE = say("only one partition was compared")


def speaks_of_wiping(text: str) -> bool:
    """Whether a text of ours speaks of wiping a drive: English as it is kept."""
    return "wipe" in text.lower() or "wiping" in text.lower()


def of_one_partition(judgement: Judgement) -> Judgement:
    """Return the same judgement with advice and reasons that are for one partition."""
    return replace(
        judgement,
        findings=tuple(map(_finding, judgement.findings)),
        outcomes=tuple(map(_outcome, judgement.outcomes)),
    )


def summary_of_one(findings: Sequence[Finding], gaps: Sequence[Outcome], reach: Message) -> Message:
    """Return the verdict on one partition as a sentence."""
    levels = [item.level for item in findings]
    counts = levels.count(Level.STOP), levels.count(Level.REVIEW)
    open_rules = len({item.rule for item in gaps})
    if not any(counts):
        return say("One partition only: no difference was found in it; {reach}.", reach=reach)
    why = [
        counted("{count} problem found", "{count} problems found", counts[0]),
        counted("{count} finding to decide on", "{count} findings to decide on", counts[1]),
        counted(
            "{count} required check could not be made",
            "{count} required checks could not be made",
            open_rules,
        ),
    ]
    found = [part for part, count in zip(why, (*counts, open_rules), strict=True) if count]
    return say("One partition only: {why}.", why=all_of(found))


def _finding(item: Finding) -> Finding:
    return replace(item, advice=_AGAIN) if speaks_of_wiping(item.advice) else item


def _outcome(item: Outcome) -> Outcome:
    speaks = item.reason is not None and speaks_of_wiping(item.reason)
    return replace(item, reason=_NOT_OF_ONE) if speaks else item
