"""A boot store as a whole: how it was left, what it lacks, what differs besides its devices."""

from __future__ import annotations

from typing import TYPE_CHECKING

from verify.boot.reach import BOOT_MANAGER, guids_of
from verify.boot.store_record import ROUTE_WORDS
from verify.rules.boot.resolve import starts_by_firmware
from verify.rules.rule import Level
from verify.rules.shared import tell_fault
from verify.text.message import Message, counted, say

if TYPE_CHECKING:
    from verify.boot.store_record import BootStore, StoreObject
    from verify.manifest.header import Partition
    from verify.rules.rule import Case, RuleAnswer

REBUILD = say(
    "Detach the old drive and rebuild the boot configuration (bcdboot), or"
    " clone again and keep the identifiers."
)

REBUILD_HERE = say("Detach the old drive and rebuild the boot configuration (bcdboot).")

_OFFERS = ("23000003", "24000001", "24000002")
"""The boot manager's default entry, its menu, and what it starts once."""

_LOADER_TYPE = "3"
_STARTING_TYPES = frozenset({_LOADER_TYPE, "6", "7", "8", "9", "A"})
"""SPEC: Microsoft Learn, "BCD_OBJECT_TYPES": an operating system's loader, older loaders, boot
sectors; not the boot manager itself, what resumes, what tests memory."""

_LOADER_ELEMENTS = ("11000001", "12000002", "21000001", "22000002")
"""Its device and path, and the system's (docs/formats/bcd.md)."""

_REVIEWED_ROUTES = frozenset({"resume", "inherited", "tools"})


def judge_state(
    case: Case, answer: RuleAnswer, new: Partition, sides: tuple[BootStore | None, BootStore]
) -> None:
    """Judge how the store was left, and what of it is missing or could not be read."""
    before, store = sides
    subject = say("The boot store {path}", path=store.path)
    level = Level.STOP if starts_by_firmware(case.target, new) else Level.NOTE
    unread, startless, dirty = (
        tuple(fault(side) if side else None for side in sides)
        for fault in (_unread, _startless, _dirty)
    )
    for faults in (unread, startless):
        tell_fault(
            answer,
            level,
            subject,
            (faults[0], faults[1]),
            REBUILD,
            partition=new.number,
            remedy=REBUILD_HERE,
        )
    tell_fault(
        answer,
        min(level, Level.REVIEW, key=list(Level)[::-1].index),
        subject,
        (dirty[0], dirty[1]),
        say("Start the system once from the old drive, shut it down completely, and clone again."),
        partition=new.number,
        known=before is not None and _pending(before) == _pending(store),
    )
    for problem in store.problems[:3]:
        answer.leave_out(
            say(
                "{path} of the new drive could not be read completely: {problem:clause}",
                path=store.path,
                problem=problem,
            )
        )
    was_missing = set(before.missing) if before else set()
    for item in store.missing:
        text = say(
            "names object {guid} ({reached_by}), which it does not contain",
            guid=item.guid,
            reached_by=ROUTE_WORDS[item.reached_by],
        )
        was = item in was_missing
        weight = Level.REVIEW if item.reached_by in _REVIEWED_ROUTES else level
        tell_fault(
            answer,
            weight,
            subject,
            (text if was else None, text),
            REBUILD,
            partition=new.number,
            remedy=REBUILD_HERE,
        )


def judge_rest(answer: RuleAnswer, new: Partition, sides: tuple[BootStore, BootStore]) -> None:
    """Tell what differs in a store besides the drives that it names."""
    old, store = (
        {
            (item.guid, element.number): (element.value, element.raw)
            for item in side.objects
            for element in item.elements
            if element.device is None
        }
        for side in sides
    )
    differing = [key for key in old.keys() | store.keys() if old.get(key) != store.get(key)]
    if differing:
        message = counted(
            "The boot store {path} differs in {count} element, not counting the drives it names.",
            "The boot store {path} differs in {count} elements, not counting the drives it names.",
            len(differing),
            path=sides[1].path,
        )
        advice = say("Check that the boot menu offers the same entries and that recovery starts.")
        answer.find(Level.REVIEW, message, advice, partition=new.number, path=sides[1].path)


def _unread(store: BootStore) -> Message | None:
    if store.state is not None:
        return None
    reason = store.problems[0] if store.problems else say("no reason given")
    return say("cannot be read ({reason:clause})", reason=reason)


def _startless(store: BootStore) -> Message | None:
    """Say why nothing would be started by a store, if that is so."""
    if store.state is None:
        return None
    manager = store.object(BOOT_MANAGER)
    if manager is None:
        return say("starts nothing: it lacks the boot manager's own entry")
    offered = [
        store.object(guid)
        for number in _OFFERS
        if (element := manager.element(number)) is not None
        for guid in guids_of(element)
    ]
    if not any(item is not None and _starts(item) for item in offered):
        return say("starts nothing: it offers no entry that names a system and its loader")
    return None


def _starts(item: StoreObject) -> bool:
    """Whether an entry has what its kind needs; of an unknown type, anything that has a path."""
    kind = item.type[-1:] if item.type else ""
    if item.type and not (item.type.startswith("10") and kind in _STARTING_TYPES):
        return False
    needed = _LOADER_ELEMENTS if kind == _LOADER_TYPE else _LOADER_ELEMENTS[:2]
    return all(item.element(number) is not None for number in needed)


def _pending(store: BootStore) -> tuple[int, ...]:
    """Return what says whether, and how, a store was left open."""
    state = store.state
    if state is None:
        return ()
    sequences = state.primary_sequence, state.secondary_sequence
    return (*sequences, state.stored_checksum, state.computed_checksum)


def _dirty(store: BootStore) -> Message | None:
    dirty = store.state is not None and store.state.dirty
    return (
        say("was not closed: its last changes may be in a transaction log only") if dirty else None
    )
