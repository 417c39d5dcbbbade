"""The spot audit: jobs drawn from the archive, looked at again, and what that says of the rest.

A job is *unsound* in an audit if its seal does not hold, it can no longer be judged, or the rules
of today find it worse than it was filed. How many of the rest could be is the exact one-sided
hypergeometric bound, since jobs are drawn without being put back.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal, Self

from blake3 import blake3
from pydantic import Field, model_validator

from verify.archive.entry import FIT_NAME, SIDE_NAMES
from verify.archive.job_record import Moment
from verify.archive.proof import job_problems
from verify.audit.code_letters import code_letter
from verify.audit.reread import Reread
from verify.errors import UsageError, WitnessError
from verify.fit.declare import read_declared
from verify.manifest.base import Model
from verify.manifest.file import open_manifest
from verify.report.words import LEVELS
from verify.rules.judge_drives import compare
from verify.stats import draw_size
from verify.text.field import Text
from verify.text.message import say
from verify.text.stored import Spoken
from verify.units import moment_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from verify.archive.archive import Archive
    from verify.archive.seal import Key

PLAN_SCHEMA = "drivewitness.audit-plan/1"
RESULT_SCHEMA = "drivewitness.audit-result/1"

By = Literal["technician", "model", "adapter", "month"]
Rule = Literal["exact", "letter"]

WHOLE = "all jobs"
_SIDES = {"source": say("The old drive"), "target": say("The new drive"), None: say("The drive")}
_WEIGHT = {"sound": 0, "review": 1, "stop": 2}


class _Document(Model):
    model_config = Model.model_config | {"populate_by_name": True}


class Stratum(_Document):
    """Jobs that are drawn from by themselves: how many there are, how many are drawn.

    `tolerable`: as many bad ones the draw excludes, if it finds none; `letter`: the code letter.
    """

    name: str
    population: int = Field(ge=1)
    tolerable: int
    draw: int = Field(ge=0)
    letter: str


class DrawnJob(_Document):
    """A job to look at again; `seal` is its seal when it was drawn."""

    job: str
    stratum: str
    filed: Moment
    verdict: str
    seal: str | None


class Plan(_Document):
    """What is drawn and why: made again from the same archive and seed, it is the same.

    `rule`: `exact` (the draw that excludes the tolerable share at that confidence) or `letter`
    (MIL-STD-105E's); `by`: what the strata are made from.
    """

    schema_: str = Field(default=PLAN_SCHEMA, alias="schema")
    seed: str
    confidence: float = Field(gt=0, lt=1)
    tolerable: float = Field(gt=0, lt=1)
    rule: Rule
    by: By | None
    strata: tuple[Stratum, ...] = Field(min_length=1)
    jobs: tuple[DrawnJob, ...]

    @model_validator(mode="after")
    def _can_be(self) -> Self:
        if len({stratum.name for stratum in self.strata}) < len(self.strata):
            raise ValueError("a stratum is in it twice")
        _hold_jobs(self.jobs, self.strata)
        return self


class Looked(_Document):
    """A drawn job looked at again; `today`: its verdict by today's rules, where it has one.

    `unsound`: why it is, or `None`. `drive`: what came of reading one of its drives again, where
    one was at hand.
    """

    job: str
    stratum: str
    filed: Moment
    verdict: str
    today: str | None
    unsound: Text | None
    drive: Reread | None = None


class Result(_Document, Spoken):
    """A plan, carried out."""

    schema_: str = Field(default=RESULT_SCHEMA, alias="schema")
    at: Moment
    tool_version: str
    plan: Plan
    jobs: tuple[Looked, ...]

    @model_validator(mode="after")
    def _can_be(self) -> Self:
        _hold_jobs(self.jobs, self.plan.strata)
        return self


def _hold_jobs(jobs: Sequence[DrawnJob | Looked], strata: Sequence[Stratum]) -> None:
    """Hold that no job counts twice, and no stratum for more than there are in it."""
    if len({job.job for job in jobs}) < len(jobs):
        raise ValueError("a job is in it twice")
    drawn = Counter(job.stratum for job in jobs)
    for stratum in strata:
        if drawn.pop(stratum.name, 0) > stratum.population:
            raise ValueError("more jobs of a stratum were drawn than there are")
    if drawn:
        raise ValueError("a job is of no stratum of the plan")


def plan_audit(  # noqa: PLR0913 - all that a plan says
    jobs: list[dict[str, Any]],
    *,
    seed: str,
    confidence: float,
    tolerable: float,
    rule: Rule = "exact",
    by: By | None = None,
    seals: dict[str, str] | None = None,
) -> Plan:
    """Draw from the records of jobs, or what `Index.to_draw_from` returns of them.

    With strata each is drawn from for the stated confidence by itself, so that each can be spoken
    of. Within one, jobs are drawn by the lowest keyed BLAKE3 of their names.

    Raises:
        UsageError: there are no jobs, or a share is out of range.
    """
    if not jobs:
        raise UsageError(
            say("There are no jobs to draw from."),
            say("`jobs list` lists the jobs of the archive."),
        )
    if not (0 < confidence < 1 and 0 < tolerable < 1):
        raise UsageError(
            say("--confidence and --tolerable must lie between 0 and 1."),
            say("Give shares, such as 0.95 and 0.05."),
        )
    groups: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for job in jobs:
        groups[_stratum(job, by)].append(job)
    strata, drawn = [], []
    key = blake3(seed.encode("utf-8", "surrogatepass")).digest()
    for name in sorted(groups):
        members = groups[name]
        stratum = _sized(name, len(members), confidence, tolerable, rule)
        strata.append(stratum)
        members.sort(key=lambda job: (_number(key, job["job"]), job["job"]))
        drawn += [
            DrawnJob(
                job=job["job"],
                stratum=name,
                filed=job["filed"],
                verdict=job["verdict"],
                seal=(seals or {}).get(job["job"]),
            )
            for job in members[: stratum.draw]
        ]
    return Plan(
        seed=seed,
        confidence=confidence,
        tolerable=tolerable,
        rule=rule,
        by=by,
        strata=tuple(strata),
        jobs=tuple(drawn),
    )


def _sized(name: str, population: int, confidence: float, tolerable: float, rule: Rule) -> Stratum:
    share = Fraction(tolerable).limit_denominator(10**9)
    bad = max(1, math.ceil(population * share))
    letter, by_letter = code_letter(population)
    exact = draw_size(population, bad, confidence=confidence)
    return Stratum(
        name=name,
        population=population,
        tolerable=bad,
        draw=exact if rule == "exact" else by_letter,
        letter=letter,
    )


def _number(key: bytes, job: str) -> bytes:
    """Return a job's lottery number: fair, as long as the seed was chosen after the jobs."""
    return blake3(job.encode(), key=key).digest()


def _stratum(job: dict[str, Any], by: By | None) -> str:
    if by is None:
        return WHOLE
    if by == "month":
        return month_of(job["filed"])
    told = {
        "technician": job["technician"],
        "model": job["source"]["model"],
        "adapter": "adapter" if job["source"]["serial_source"] == "adapter" else "direct",
    }[by]
    return str(told or "not reported")


def month_of(seconds: int) -> str:
    """Return the month of a moment (seconds since 1970 UTC) as 2031-02."""
    return moment_of(seconds).date().isoformat()[:7]


def look_again(
    archive: Archive,
    drawn: Iterable[DrawnJob],
    key: Key | None,
    reread: Callable[[DrawnJob], Reread | None] = lambda _: None,
) -> Iterable[Looked]:
    """Yield each drawn job, its seal verified and its manifests judged by the rules of today.

    `reread` reads a drive of the job again, where one is at hand; damage there makes a job unsound,
    whenever it came.
    """
    for job in drawn:
        today, unsound = _look(archive, job, key)
        drive = reread(job)
        if drive is not None and drive.state == "damaged" and unsound is None:
            unsound = say(
                "{drive}, read again, is damaged: {reason}.",
                drive=_SIDES[drive.side],
                reason=drive.reason or "",
            )
        yield Looked(
            job=job.job,
            stratum=job.stratum,
            filed=job.filed,
            verdict=job.verdict,
            today=today,
            unsound=unsound,
            drive=drive,
        )


def _look(archive: Archive, job: DrawnJob, key: Key | None) -> tuple[str | None, str | None]:
    """Return today's verdict, and why the job is unsound if it is."""
    try:
        if problems := job_problems(archive, job.job, key):
            return None, problems[0].message
        if job.seal is not None and archive.sealed(job.job).seal != job.seal:
            return None, say("Its seal is not the one that was drawn.")
        source, target = (
            open_manifest(archive.file(job.job, name)) for name in SIDE_NAMES.values()
        )
        fit = archive.jobs / job.job / FIT_NAME
        declared = read_declared(fit) if fit.exists() else None
        today = compare(source, target, declared=declared).verdict
    except (WitnessError, OSError) as error:
        return None, say("It cannot be judged: {reason:clause}.", reason=str(error))
    if _WEIGHT[today] > _WEIGHT.get(job.verdict, 0):
        return today, say(
            "It was filed as {then}; by today's rules it is {now}.",
            then=LEVELS.get(job.verdict, job.verdict),
            now=LEVELS.get(today, today),
        )
    return today, None
