"""Later use of one of the drives, as the moment of the clone tells it: one finding a volume."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, Literal

from verify.matching.pair_contents import Bag
from verify.matching.weigh_by_moment import (
    DELETED,
    EARLIER_NAME,
    MOVED,
    MOVED_THERE,
    NEW_MACHINE,
    NEW_WORK,
    OLD_MACHINE,
    OLD_STORE,
    OLD_WORK,
)
from verify.rules.comparison_document import EvidenceRow, LaterRow, MomentRow
from verify.rules.contents.gather import first_paths
from verify.rules.rule import Level
from verify.text.message import Message, all_of, counted, say
from verify.units import moment_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.matching.pair_contents import Difference, Meaning, PairContents, Since
    from verify.rules.rule import Case, RuleAnswer

MOST_MACHINE_ROWS = 1000
"""Names of what machines wrote that are listed, a volume; of people's work all that were kept."""

What = Literal["written", "moved", "deleted"]

_WORK: dict[Since, Meaning] = {"source": OLD_WORK, "target": NEW_WORK}
_MOVED: dict[Since, Meaning] = {"source": MOVED, "target": MOVED_THERE}
_MACHINE: dict[Since, Meaning] = {"source": OLD_MACHINE, "target": NEW_MACHINE}


def used_since(files: PairContents, side: Since) -> dict[Meaning, Bag]:
    """Return what was done on one side after the clone, each meaning in one bag."""
    together: dict[Meaning, Bag] = {}
    for differences in (
        files.missing,
        files.extra,
        files.resized,
        files.changed,
        files.streams,
        files.retimed,
        files.relinked,
    ):
        for meaning, bag in differences.bags.items():
            if meaning.since != side or meaning is EARLIER_NAME:
                continue
            whole = together.setdefault(meaning, Bag())
            whole.count += bag.count
            whole.bytes += bag.bytes
            whole.kept += bag.kept
    return together


def tell_used_since(
    answer: RuleAnswer,
    number: int,
    files: PairContents,
    side: Since,
    sentence: tuple[Message, Message],
) -> bool:
    """Tell all that was done on one side of a volume as one finding; `False`: nothing was.

    It names no work on the old drive: reports list all of that as what is to be copied.

    `sentence`: what the finding begins with, and its advice.
    """
    bags = used_since(files, side)
    if not bags:
        return False
    work = bags.get(_WORK[side]) or bags.get(OLD_STORE)
    first = work or next(iter(bags.values()))
    begin, advice = sentence
    moment = files.volume.survey.moment
    if moment is not None:
        begin = say("{begin} (cloned {moment})", begin=begin, moment=said_time(moment.copied))
    answer.find(
        Level.REVIEW if work else Level.NOTE,
        say("{begin}: {what}.", begin=begin, what=all_of(tuple(_said(bags, side)))),
        advice,
        partition=number,
        examples=() if side == "source" and work else first_paths(first.kept),
    )
    return True


def _said(bags: dict[Meaning, Bag], side: Since) -> Iterator[Message]:
    if work := bags.get(_WORK[side]):
        yield counted(
            "{count} personal file or folder was changed or created there",
            "{count} personal files and folders were changed or created there",
            work.count,
        )
    if stores := bags.get(OLD_STORE):
        yield counted(
            "{count} database, mail store or virtual disk was written there (copy it once the"
            " system is shut down)",
            "{count} databases, mail stores and virtual disks were written there (copy them once"
            " the system is shut down)",
            stores.count,
        )
    if machine := bags.get(_MACHINE[side]):
        yield counted(
            "{count} file was written by the system or a program",
            "{count} files were written by the system or by programs",
            machine.count,
        )
    if moved := bags.get(_MOVED[side]):
        yield counted("{count} was moved or renamed", "{count} were moved or renamed", moved.count)
    if deleted := bags.get(DELETED):
        yield counted("{count} was deleted", "{count} were deleted", deleted.count)


def tell_moment(answer: RuleAnswer, number: int, files: PairContents) -> None:
    """Say that no moment could be told of a volume where something differs."""
    known = files.volume.made
    if known is None:
        return
    if known.moment is not None and known.moment.wrong_from is not None:
        answer.assume(
            say(
                "partition {number} has dates that are later than the check: such dates tell no"
                " later use, and files that have one are judged by names and contents only",
                number=number,
            )
        )
    if any(item.set_back for item in known.evidence):
        answer.assume(
            say(
                "the old drive's clock was set back after partition {number} was copied, so what"
                " was written there since may look older than the copy",
                number=number,
            )
        )
    if known.moment is None and known.reason:
        answer.assume(
            say(
                "it is not known when partition {number} was copied ({reason:clause}),"
                " so its differences are judged by names and times only",
                number=number,
                reason=known.reason,
            )
        )


def said_time(nanoseconds: int) -> Message:
    """Say a moment as a date and time (UTC)."""
    try:
        moment = moment_of(nanoseconds // 1_000_000_000)
    except (OverflowError, ValueError, OSError):
        return say("an impossible date")
    return say("{moment}", moment=moment)


def moments(case: Case) -> Iterator[MomentRow]:
    """Yield the moment of every volume where something differs, and what it was worked out from."""
    for number, files in sorted(case.contents.pairs.items()):
        known = files.volume.made
        if known is None or (known.moment is None and not known.reason):
            continue
        moment = known.moment
        evidence = tuple(
            EvidenceRow(by=item.new.by, source=item.old.at, target=item.new.at, step=item.new.step)
            for item in known.evidence
        )
        if moment is None:
            yield MomentRow(partition=number, reason=known.reason, evidence=evidence)
            continue
        kept = moment.kept if moment.copied > moment.newest else None
        yield MomentRow(
            partition=number,
            copied=moment.copied,
            kept_by=kept.by if kept else None,
            evidence=evidence,
            by="changed" if moment.changed is not None else "modified",
            path=moment.path,
            step=moment.step,
            copied_from=moment.copied_from,
            target_used_from=moment.used_from,
        )


def later_rows(case: Case) -> Iterator[LaterRow]:
    """Yield what was done on either drive after the clone, people's work first."""
    for number, files in sorted(case.contents.pairs.items()):
        for side, written in _WORK.items():
            bags = used_since(files, side)
            named: list[tuple[Meaning, bool, What]] = [
                (written, True, "written"),
                (OLD_STORE, True, "written"),
                (_MOVED[side], True, "moved"),
                (DELETED, True, "deleted"),
                (_MACHINE[side], False, "written"),
            ]
            yield from chain.from_iterable(
                _rows(number, side, bags[meaning], what, work=work)
                for meaning, work, what in named
                if meaning in bags
            )


def _rows(number: int, side: Since, bag: Bag, what: What, *, work: bool) -> Iterator[LaterRow]:
    kept = bag.kept if work else bag.kept[:MOST_MACHINE_ROWS]
    for item in kept:
        yield _row(number, side, item, what, work=work)


def _row(number: int, side: Since, item: Difference, what: What, *, work: bool) -> LaterRow:
    there = item.volume.survey.found_as(item.source) if what == "moved" and item.source else None
    return LaterRow(
        partition=number,
        side=side,
        path=item.path,
        what=what,
        work=work,
        size_bytes=item.size,
        source_modified=item.source.modified if item.source else None,
        target_modified=item.target.modified if item.target else None,
        earlier_path=there.path if there else None,
    )
