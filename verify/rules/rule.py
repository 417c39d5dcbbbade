"""What a rule is, and what it answers.

A rule sees one `Case` (two manifests, their partitions matched, their files compared) and yields
outcomes. It writes them through a `RuleAnswer`, which holds the two laws of honest answers: `same`
needs at least one thing compared, and what was left out is an outcome of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from enum import StrEnum

from verify.manifest.header import Header, Partition
from verify.matching.level import Level
from verify.matching.pair_contents import ContentComparison
from verify.matching.pairing import Pair
from verify.rules.declared import Declared
from verify.text.message import Message, joined

__all__ = [
    "PAGE_HEADINGS",
    "Area",
    "Case",
    "Finding",
    "Level",
    "Outcome",
    "Result",
    "Rule",
    "RuleAnswer",
    "Value",
    "with_level",
]

Value = str | int | float | bool | None


class Result(StrEnum):
    """What a rule can answer."""

    SAME = "same"
    DIFFERENT = "different"
    NOT_APPLICABLE = "not_applicable"
    NOT_EXAMINED = "not_examined"
    CRASHED = "crashed"


class Area(StrEnum):
    """Where in the catalogue a rule stands."""

    DRIVE = "drive"
    TABLE = "table"
    PARTITION = "partition"
    FILESYSTEM = "filesystem"
    CONTENTS = "contents"
    BOOT = "boot"
    RECOVERY = "recovery"
    SPACE = "space"
    ALIGNMENT = "alignment"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that a person should read: where, both values, one sentence, one piece of advice.

    `partition` is the target's number where the target has it, else the source's. `alone`: where
    it stands nothing else is judged, since all else would follow from it. `examples`: paths of the
    first things that a finding about many of them is about.
    """

    rule: str
    level: Level
    message: Message
    advice: Message
    partition: int | None = None
    path: str | None = None
    source: Value = None
    target: Value = None
    alone: bool = False
    examples: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One answer of one rule; `compared` > 0 for `same`.

    `reason`: why nothing was compared, or what the comparison had to assume.
    """

    rule: str
    outcome: Result
    compared: int = 0
    reason: Message | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What every rule gets: two headers, the partitions matched, the files compared.

    Pairs stand in the source's order on the drive, partitions only on the target behind them.
    `declared`: the layout that was worked out before the clone, where there is one.
    `common_names`: files of the source that the target has by name and size, and all of them, asked
    only of drives that share no identifier.
    """

    source: Header
    target: Header
    pairs: tuple[Pair, ...]
    contents: ContentComparison
    declared: Declared | None = None
    common_names: tuple[int, int] | None = None

    @property
    def matched(self) -> tuple[tuple[Partition, Partition], ...]:
        """The pairs that have both sides."""
        return tuple(pair.both for pair in self.pairs if pair.both is not None)


@dataclass(slots=True)
class RuleAnswer:
    """Collects what one rule compared, found and left out, and turns it into its answer."""

    rule: str = ""
    comparisons: int = 0
    findings: list[Finding] = field(default_factory=list)
    left_out: list[Message] = field(default_factory=list)
    assumed: list[Message] = field(default_factory=list)

    def compared(self, count: int = 1) -> None:
        """Count things that were compared; whether they agree is reported by the findings."""
        self.comparisons += count

    def find(  # noqa: PLR0913 - a finding has that many sides, all named
        self,
        level: Level,
        message: Message,
        advice: Message,
        *,
        partition: int | None = None,
        path: str | None = None,
        source: Value = None,
        target: Value = None,
        alone: bool = False,
        examples: Iterable[str] = (),
    ) -> None:
        """Record a finding (the compared thing itself is counted by `agree`)."""
        self.findings.append(
            Finding(
                rule=self.rule,
                level=level,
                message=message,
                advice=advice,
                partition=partition,
                path=path,
                source=source,
                target=target,
                alone=alone,
                examples=tuple(examples),
            )
        )

    def leave_out(self, reason: Message) -> None:
        """Say that something this rule exists for was not examined, and why."""
        if reason not in self.left_out:
            self.left_out.append(reason)

    def assume(self, assumption: Message) -> None:
        """Say what the comparison takes for granted because a drive does not tell it."""
        if assumption not in self.assumed:
            self.assumed.append(assumption)

    def outcomes(self, nothing: Message) -> tuple[Outcome, ...]:
        """Return the rule's outcomes; `nothing` is the reason where nothing was compared."""
        answers: list[Outcome] = []
        assumed = joined(self.assumed, "; ") if self.assumed else None
        if self.findings:
            count = max(1, self.comparisons)
            answers.append(
                Outcome(rule=self.rule, outcome=Result.DIFFERENT, compared=count, reason=assumed)
            )
        elif self.comparisons and not self.left_out:
            count = self.comparisons
            answers.append(
                Outcome(rule=self.rule, outcome=Result.SAME, compared=count, reason=assumed)
            )
        if self.left_out:
            answers.append(
                Outcome(
                    rule=self.rule,
                    outcome=Result.NOT_EXAMINED,
                    compared=self.comparisons,
                    reason=joined(self.left_out, "; "),
                )
            )
        if not answers:
            answers.append(Outcome(rule=self.rule, outcome=Result.NOT_APPLICABLE, reason=nothing))
        return tuple(answers)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule: its permanent slug, where it stands, whether `sound` needs it, and its function.

    `judge` fills the tally; `nothing` is the reason given where it compared nothing. The page is
    the docstring of the rule's module, under fixed headings.
    """

    slug: str
    area: Area
    required: bool
    judge: Callable[[Case, RuleAnswer], None]
    nothing: Message
    page: str

    def __call__(self, case: Case) -> tuple[tuple[Outcome, ...], tuple[Finding, ...]]:
        """Judge a case."""
        answer = RuleAnswer(rule=self.slug)
        self.judge(case, answer)
        return answer.outcomes(self.nothing), tuple(answer.findings)

    @property
    def summary(self) -> str:
        """The first line of the page."""
        return self.page.splitlines()[0]


PAGE_HEADINGS = ("What it compares", "Why it matters", "Levels", "What to do", "Sources")
"""The headings every rule's page has, in this order, as `## Heading` lines of its docstring."""


def with_level(finding: Finding, level: Level) -> Finding:
    """Return the same finding at another level."""
    return replace(finding, level=level)
