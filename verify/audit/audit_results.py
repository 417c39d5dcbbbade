"""What an audit found and what it says of the jobs that were not drawn, in plain data."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from verify.audit.spot_audit import month_of
from verify.stats import most_bad

if TYPE_CHECKING:
    from verify.audit.spot_audit import Result

REPORT_SCHEMA = "drivewitness.audit-report/1"


def audit_document(result: Result) -> dict[str, Any]:
    """Return the report of an audit.

    `at_most` of a stratum: the largest number of unsound jobs in it that the draw does not
    exclude at the plan's confidence (exact, one-sided). `at_most` of the whole: the sum of the
    strata's, each at the confidence 1 - (1 - c) / k of k strata, so that all k hold together with
    confidence c (Bonferroni's inequality).
    """
    plan = result.plan
    drawn = Counter(job.stratum for job in result.jobs)
    found = Counter(job.stratum for job in result.jobs if job.unsound)
    together = float(
        1 - (1 - Fraction(plan.confidence).limit_denominator(10**9)) / len(plan.strata)
    )
    rows, at_most = [], 0
    for stratum in plan.strata:
        numbers = stratum.population, drawn[stratum.name], found[stratum.name]
        bound = most_bad(*numbers, confidence=plan.confidence)
        at_most += most_bad(*numbers, confidence=together)
        rows.append(
            {
                "stratum": stratum.name,
                "letter": stratum.letter,
                "population": stratum.population,
                "drawn": numbers[1],
                "unsound": numbers[2],
                "at_most": bound,
                "share_at_most": bound / stratum.population,
            }
        )
    population = sum(stratum.population for stratum in plan.strata)
    return {
        "schema": REPORT_SCHEMA,
        "at": result.at,
        "tool_version": result.tool_version,
        "seed": plan.seed,
        "rule": plan.rule,
        "by": plan.by,
        "confidence": plan.confidence,
        "tolerable": plan.tolerable,
        "population": population,
        "drawn": len(result.jobs),
        "unsound": sum(found.values()),
        "at_most": at_most,
        "share_at_most": at_most / population if population else 0.0,
        "strata": rows,
        "months": _months(result),
        "drives": [
            {
                "job": job.job,
                **job.drive.model_dump(mode="json", exclude={"names", "path"}),
                "reason": job.drive.reason,
            }
            for job in result.jobs
            if job.drive is not None
        ],
        "findings": [
            {"job": job.job, "stratum": job.stratum, "filed": job.filed, "why": job.unsound}
            for job in result.jobs
            if job.unsound
        ],
    }


def _months(result: Result) -> list[dict[str, Any]]:
    """Return how many of each month's jobs were drawn and found unsound, in their order."""
    drawn = Counter(month_of(job.filed) for job in result.jobs)
    found = Counter(month_of(job.filed) for job in result.jobs if job.unsound)
    return [
        {"month": month, "drawn": drawn[month], "unsound": found[month]} for month in sorted(drawn)
    ]
