"""Runs every rule of the catalogue on a case, and earns the verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.rules.drive.drive_pair import RULE as DRIVE_PAIR
from verify.rules.rule import Case, Finding, Level, Outcome, Result, Rule
from verify.text.message import say

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Judgement:
    """What all rules said of a case, and the verdict that follows.

    `gaps` names the required rules that keep the verdict from `sound`, with the reason of each.
    """

    verdict: str
    outcomes: tuple[Outcome, ...]
    findings: tuple[Finding, ...]
    gaps: tuple[Outcome, ...]


NOT_A_PAIR = say("not compared: first see what drive-pair found")


def judge(case: Case, rules: Sequence[Rule]) -> Judgement:
    """Run the rules; one that raises is `crashed`, with the error's name, and the rest go on.

    A finding that stands `alone` ends it. What `drive-pair` finds stands first, whatever its level:
    whoever holds the wrong drive should read nothing else before.
    """
    outcomes: list[Outcome] = []
    findings: list[Finding] = []
    for rule in rules:
        if any(item.alone for item in findings):
            outcomes.append(
                Outcome(rule=rule.slug, outcome=Result.NOT_APPLICABLE, reason=NOT_A_PAIR)
            )
            continue
        try:
            answers, found = rule(case)
        except Exception as error:  # noqa: BLE001
            reason = say("{kind}: {error}", kind=type(error).__name__, error=str(error))
            answers = (Outcome(rule=rule.slug, outcome=Result.CRASHED, reason=reason),)
            found = ()
        outcomes += answers
        findings += found
    findings.sort(key=lambda item: (item.rule != DRIVE_PAIR.slug, item.level.weight))
    gaps = required_gaps(outcomes, rules)
    return Judgement(earn(findings, gaps), tuple(outcomes), tuple(findings), gaps)


def required_gaps(outcomes: Sequence[Outcome], rules: Sequence[Rule]) -> tuple[Outcome, ...]:
    """Return the outcomes of required rules that keep a verdict from `sound`.

    A required rule that is silent counts too: it is reported as `not_examined`.
    """
    heard = {outcome.rule for outcome in outcomes}
    required = {rule.slug for rule in rules if rule.required}
    open_answers = (Result.CRASHED, Result.NOT_EXAMINED)
    gaps = [item for item in outcomes if item.rule in required and item.outcome in open_answers]
    silent = [
        Outcome(rule=slug, outcome=Result.NOT_EXAMINED, reason=say("the check gave no answer"))
        for slug in sorted(required - heard)
    ]
    return (*gaps, *silent)


def earn(findings: Sequence[Finding], gaps: Sequence[Outcome]) -> str:
    """Return the verdict: `stop`, `review` or `sound`: it is earned by what was compared."""
    levels = {finding.level for finding in findings}
    if Level.STOP in levels:
        return "stop"
    if Level.REVIEW in levels or gaps:
        return "review"
    return "sound"
