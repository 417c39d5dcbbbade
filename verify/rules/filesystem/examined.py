"""What two rules read alike in the examinations of a pair: new faults, and those known before."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from verify.filesystem.description import NO_CONTENT_KINDS, READABLE_KINDS
from verify.filesystem.examination import Effect, Fault
from verify.manifest.header import Partition
from verify.rules.rule import Level
from verify.rules.shared import name_of
from verify.text.message import Message, counted, joined, say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from verify.filesystem.examination import Check, Examination
    from verify.rules.rule import Case, RuleAnswer

    Half = Callable[[Examination], Check | None]

LEVELS = {
    Effect.REFUSED: Level.STOP,
    Effect.LOST: Level.STOP,
    Effect.OVERWRITTEN: Level.STOP,
    Effect.REPAIRED: Level.REVIEW,
    Effect.WASTED: Level.NOTE,
}
_FURTHER = "…"
"""Stands for the structures of faults that are counted, and not recorded one by one."""

_CHECK = say("Repair it with the system's own check (chkdsk, fsck), then check again.")
_AS_BEFORE = say(
    "Nothing to do for the clone; repair the volume with the system's own check (chkdsk, fsck)."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Faults of one structure and effect on one partition: how many, and the first of them.

    `known`: the old drive has the same, at the same places with the same values.
    """

    partition: Partition
    effect: Effect
    structure: str
    count: int
    first: Fault
    known: bool
    pending: bool

    @property
    def level(self) -> Level:
        """How much it weighs.

        Where changes wait in a log that was not applied, what looks lost or free may be put right
        when the system applies it: a person decides.
        """
        if self.known:
            return Level.NOTE
        level = LEVELS[self.effect]
        return Level.REVIEW if self.pending and level is Level.STOP else level


def examined(
    case: Case, answer: RuleAnswer, half: Half
) -> Iterator[tuple[Partition, Partition, Check, Check | None]]:
    """Yield old, new and what was checked of both; leave out, by name, what was not examined."""
    for pair in case.pairs:
        if pair.both is None:
            continue
        old, new = pair.both
        kind = new.filesystem.kind
        if kind in NO_CONTENT_KINDS:
            continue
        check = _half(new, half)
        if check is None:
            if kind in READABLE_KINDS or not _same_blocks(case, new):
                answer.leave_out(
                    say(
                        "partition {number}: the structures of {kind} are not examined",
                        number=new.number,
                        kind=kind,
                    )
                )
            else:
                answer.assume(
                    say(
                        "partition {number}: the structures of {kind} are not examined, but its"
                        " blocks were compared",
                        number=new.number,
                        kind=kind,
                    )
                )
            continue
        if kind not in READABLE_KINDS:
            _say_headers_alone(case, answer, new)
        for reason in check.left_out:
            answer.leave_out(say("partition {number}: {reason}", number=new.number, reason=reason))
        answer.compared(check.compared)
        same_kind = old.filesystem.kind == kind
        yield old, new, check, _half(old, half) if same_kind else None


def _say_headers_alone(case: Case, answer: RuleAnswer, new: Partition) -> None:
    """Say that what lies behind the headers of a volume is known by its bytes, if at all."""
    number, kind = new.number, new.filesystem.kind
    if _same_blocks(case, new):
        answer.assume(
            say(
                "partition {number}: only the headers of {kind} are examined, but its"
                " blocks were compared",
                number=number,
                kind=kind,
            )
        )
    else:
        answer.leave_out(
            say(
                "partition {number}: only the headers of {kind} are examined",
                number=number,
                kind=kind,
            )
        )


def groups(new: Partition, here: Check, before: Check | None) -> Iterator[Group]:
    """Yield the faults of the new drive, gathered, those apart that the old one has as well."""
    known = {fault.identity for fault in before.faults} if before else set()
    alike = before is not None and (here.digest, here.counts) == (before.digest, before.counts)
    examination = new.examination
    pending = new.filesystem.log == "pending" and not (examination and examination.log_applied)
    found: dict[tuple[Effect, str, bool], list[Fault]] = {}
    kept: Counter[str] = Counter()
    for fault in here.faults:
        kept[fault.effect] += 1
        key = fault.effect, fault.structure, alike or fault.identity in known
        found.setdefault(key, []).append(fault)
    for (effect, structure, is_known), faults in found.items():
        yield Group(
            partition=new,
            effect=effect,
            structure=structure,
            count=len(faults),
            first=faults[0],
            known=is_known,
            pending=pending,
        )
    for effect in Effect:
        beyond = here.counts.get(effect, 0) - kept[effect]
        if beyond > 0 and faults_of(here, effect):
            yield Group(
                partition=new,
                effect=effect,
                structure=_FURTHER,
                count=beyond,
                first=faults_of(here, effect)[-1],
                known=alike,
                pending=pending,
            )


def tell_gone(answer: RuleAnswer, old: Partition, here: Check, before: Check | None) -> None:
    """Say that the old drive has faults that the new one has not."""
    if before is None:
        return
    known = {fault.identity for fault in here.faults}
    gone = [fault for fault in before.faults if fault.identity not in known]
    if gone:
        first = gone[0]
        answer.find(
            Level.NOTE,
            say(
                "{partition} of the old drive has faults in {structure} that the new drive"
                " does not have.",
                partition=name_of(old),
                structure=first.structure,
            ),
            say("Nothing to do on the new drive."),
            partition=old.number,
            path=first.path,
            source=_value(first),
        )


def faults_of(check: Check, effect: Effect) -> list[Fault]:
    """Return the recorded faults of one effect."""
    return [fault for fault in check.faults if fault.effect is effect]


def tell(answer: RuleAnswer, group: Group, again: Message) -> None:
    """Tell a group: what, in how many places, and both values of the first.

    `again`: the advice where something is lost.
    """
    fault, what = group.first, _what(group)
    harmless = group.effect in {Effect.REPAIRED, Effect.WASTED}
    message, advice = say("{what}.", what=what), _CHECK if harmless else again
    if group.known:
        message, advice = say("{what}, as on the old drive.", what=what), _AS_BEFORE
    elif group.pending:
        message = say("{what}; changes still waiting in its journal may repair this.", what=what)
    answer.find(
        group.level,
        message,
        advice,
        partition=group.partition.number,
        path=fault.path,
        source=_value(fault) if group.known else None,
        target=_value(fault),
    )


def _what(group: Group) -> Message:
    """Say what the faults of a group do, in which structure and how many places."""
    count, partition, structure = group.count, name_of(group.partition), group.structure
    match group.effect:
        case Effect.REFUSED:
            return counted(
                "{partition}: the system would refuse to mount this volume ({structure}, 1 place)",
                "{partition}: the system would refuse to mount this volume ({structure},"
                " {count} places)",
                count,
                partition=partition,
                structure=structure,
            )
        case Effect.LOST:
            return counted(
                "{partition}: files or folders cannot be read completely ({structure}, 1 place)",
                "{partition}: files or folders cannot be read completely ({structure},"
                " {count} places)",
                count,
                partition=partition,
                structure=structure,
            )
        case Effect.OVERWRITTEN:
            return counted(
                "{partition}: space in use is marked free or has two owners ({structure}, 1 place)",
                "{partition}: space in use is marked free or has two owners"
                " ({structure}, {count} places)",
                count,
                partition=partition,
                structure=structure,
            )
        case Effect.REPAIRED:
            return counted(
                "{partition}: a fault that the system's own check repairs without loss"
                " ({structure}, 1 place)",
                "{partition}: faults that the system's own check repairs without loss"
                " ({structure}, {count} places)",
                count,
                partition=partition,
                structure=structure,
            )
    return counted(
        "{partition}: a fault that affects no file ({structure}, 1 place)",
        "{partition}: faults that affect no file ({structure}, {count} places)",
        count,
        partition=partition,
        structure=structure,
    )


def _value(fault: Fault) -> str:
    """Return a fault's place and both values, in the words of its format.

    A place that holds a path is left out: the finding has the name, which not every report tells.
    """
    field = fault.field
    if "/" not in fault.place:
        field = joined([fault.place, field])
    return say(
        "{field}: {stored} (expected: {expected})",
        field=field,
        stored=fault.stored,
        expected=fault.expected,
    )


def _half(side: Partition, half: Half) -> Check | None:
    return None if side.examination is None else half(side.examination)


def _same_blocks(case: Case, new: Partition) -> bool:
    """Whether blocks were compared and none differs: then structures are those of the old drive."""
    blocks = case.contents.pairs.get(new.number)
    return (
        blocks is not None and blocks.raw and bool(blocks.totals.blocks) and not blocks.mismatches
    )
