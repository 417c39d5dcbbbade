"""Which pairs have had their files, or their blocks, compared, and why the others have not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.filesystem.description import NO_CONTENT_KINDS, READABLE_KINDS
from verify.stats import TOLERABLE_SHARE
from verify.text.message import Message, say
from verify.text.words import NEW, OLD

if TYPE_CHECKING:
    from collections.abc import Iterator

    from verify.manifest.header import Partition
    from verify.matching.pair_contents import PairContents
    from verify.rules.rule import Case, RuleAnswer

FILES, BLOCKS = say("files"), say("blocks")

LEAST_CONFIDENCE = 0.95


def compared_files(case: Case, answer: RuleAnswer) -> Iterator[tuple[int, PairContents]]:
    """Yield the pairs whose files were listed on both sides; leave out, with a reason, the rest.

    A pair that no reader could list, but whose blocks were compared, is reported by `raw-content`.
    """
    for pair in case.pairs:
        both = pair.both
        if both is None or not any(_has_files(side) for side in both):
            continue
        files = case.contents.pairs.get(pair.number)
        if files is None:
            answer.leave_out(_why_not(*both))
            continue
        for side, drive in zip(both, (OLD, NEW), strict=True):
            if side.listing is not None and not side.listing.complete:
                answer.leave_out(
                    say(
                        "the files of partition {number} of the {drive} drive could not all be"
                        " listed ({reason})",
                        number=side.number,
                        drive=drive,
                        reason=_first_reason(side, "listing"),
                    )
                )
        if not files.raw:
            yield pair.number, files


def compared_raw(
    case: Case, answer: RuleAnswer
) -> Iterator[tuple[Partition, Partition, PairContents]]:
    """Yield the pairs whose blocks were compared; leave out, with a reason, the rest.

    Partitions whose contents do not matter (reserved space, swap, LDM metadata) take no part.
    """
    for pair in case.pairs:
        both = pair.both
        if both is None or all(side.filesystem.kind in NO_CONTENT_KINDS for side in both):
            continue
        if any(_has_files(side) for side in both) and not _both_unlisted(*both):
            continue
        blocks = case.contents.pairs.get(pair.number)
        if blocks is None or not blocks.raw:
            answer.leave_out(_why_not(*both))
            continue
        yield *both, blocks


def leave_out_small_sample(case: Case, answer: RuleAnswer) -> None:
    """Say where contents were not read, or a sample leaves open more than it may for `sound`."""
    bound = case.contents.bound
    if bound is None:
        answer.leave_out(say("depth layout reads no contents"))
        return
    if bound.confidence < LEAST_CONFIDENCE:
        answer.leave_out(
            say(
                "the sample was drawn for a confidence of {confidence:g}, less than 0.95",
                confidence=bound.confidence,
            )
        )
    for what, open_count, count in (
        (FILES, bound.files_at_most, bound.files),
        (BLOCKS, bound.blocks_at_most, bound.blocks),
    ):
        if open_count > TOLERABLE_SHARE * count:
            answer.leave_out(
                say(
                    "the sample is too small: {open_count:,} of {count:,} {what} could still"
                    " differ, more than 0.1 %",
                    open_count=open_count,
                    count=count,
                    what=what,
                )
            )


def _has_files(side: Partition) -> bool:
    return side.filesystem.kind in READABLE_KINDS


def _both_unlisted(old: Partition, new: Partition) -> bool:
    return old.listing is None and new.listing is None


def _why_not(old: Partition, new: Partition) -> Message:
    for side, drive in ((old, OLD), (new, NEW)):
        if side.listing is None and side.contents is None:
            reason = _first_reason(side, "contents")
            return say(
                "partition {number} of the {drive} drive was not read: {reason}",
                number=side.number,
                drive=drive,
                reason=reason,
            )
    for side, drive in ((old, OLD), (new, NEW)):
        if side.listing is None and _has_files(side):
            return say(
                "partition {number} of the {drive} drive: {reason}",
                number=side.number,
                drive=drive,
                reason=_first_reason(side, "contents"),
            )
    return say(
        "partition {number} was read as {how} on the old drive but as {new_how}"
        " on the new one; these cannot be compared",
        number=old.number,
        how=_how(old),
        new_how=_how(new),
    )


def _how(side: Partition) -> Message:
    return BLOCKS if side.listing is None else FILES


def _first_reason(side: Partition, what: str) -> str:
    reasons = [item.reason for item in side.unread if item.what == what]
    return reasons[0] if reasons else say("files in {kind} are not read", kind=side.filesystem.kind)
